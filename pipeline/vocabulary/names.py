"""How labels and unit spellings are folded before they are looked up."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

# What a workshop writes in capitals, whoever typed it.
_CAPITALS = re.compile(r"\b(?:abs|ac|dpf|ecu|egr|maf|map|obd|scr|srs|vin)\b", re.IGNORECASE | re.ASCII)
_POWERS = str.maketrans({"²": "2", "³": "3", "⁻": "-", "¹": "1", "º": "°", "−": "-"})


def write_part(text: str) -> str:
    """Write a part as it stands in a sentence: underscores as spaces, abbreviations in capitals.

    >>> write_part("egr_valve")
    'EGR valve'
    """
    return _CAPITALS.sub(lambda found: found[0].upper(), text.replace("_", " "))


def fold(text: str) -> str:
    """Fold a label: case and accents ignored, everything but letters and digits one space.

    >>> fold("  Kühlmittel-Temperatur ")
    'kuhlmittel temperatur'
    """
    plain = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return re.sub(r"[^0-9a-z]+", " ", plain.replace("ß", "ss")).strip()


@lru_cache(maxsize=4096)
def fold_unit(text: str) -> str:
    """Fold a unit: case and spaces ignored, raised digits as plain ones, brackets around it dropped.

    Where case alone tells milli from mega, the capital M is kept: mPa is not MPa, MV not mV.

    >>> fold_unit(" [mm³/Hub] ")
    'mm3/hub'
    >>> fold_unit("Mpa"), fold_unit("mPa")
    ('MPa', 'mpa')
    """
    bare = re.sub(r"^[\[(](.*)[\])]$", r"\1", text.strip())
    if re.fullmatch(r"M[Pp][Aa]", bare):
        return "MPa"
    if re.fullmatch(r"M(?:[Vv]|[Aa]|bar|b)", bare):
        return f"M{bare[1:].casefold()}"
    return re.sub(r"\s+", "", bare.translate(_POWERS)).casefold()
