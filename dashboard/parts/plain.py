"""Text from files shown as text: nothing in a name or note may become a link, a picture or a style."""

from __future__ import annotations

import re

from dashboard.charts.words import clean_text

_MARKS = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~$\"'=&^%@/?;,:])")
# Links and icons are also found in finished text, after the escapes are gone: an invisible joiner parts them.
_FINDERS = re.compile(r"(:(?=[^\s\d])|@(?=\S)|www(?=\.)|(?<=\s)[-+](?=\s)|->|<-|--|==)", re.IGNORECASE)
_JOINER = "\u2060"


def escape(text: object) -> str:
    """Return a text that Streamlit's Markdown shows letter by letter."""
    parted = _FINDERS.sub(lambda found: _JOINER.join(found.group(0)) + _JOINER, clean_text(text))
    return _MARKS.sub(r"\\\1", parted)
