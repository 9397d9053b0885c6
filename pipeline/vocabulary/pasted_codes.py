"""Trouble codes in text that a person typed or pasted, in any spelling, with the status and module written by them.

Only finds where a code stands and what stands beside it; `pipeline.normalise.codes` gives the code its one spelling
when the row is loaded. A number without a letter counts as a maker's own code unless a unit follows it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

LONGEST_TEXT = 10_000
_LETTERED = r"[PCBU][\s.\-]?[0-3O][0-9A-FO]{3}(?![0-9A-Z])(?:\s?[\-:]\s?\$?[0-9A-F]{2}(?![0-9A-Z])|\s?\(\$?[0-9A-F]{2}\))?|[PCBU][0-3][0-9A-F]{5}"
_UNITS = r"km|mi|miles|v|volts?|rpm|bar|kpa|mbar|°|deg|c|s|min|h|%|times|a|ma|g"
_NUMBER = rf"[0-9][0-9A-F]{{3,7}}(?!\s*(?:{_UNITS})\b)(?![.,:/][0-9])"
_CODE = re.compile(
    rf"(?<![0-9A-Za-z])(?P<code>{_LETTERED}|(?<![0-9][.,:/-]){_NUMBER})(?![0-9A-Za-z])", re.IGNORECASE
)
_MODULE = re.compile(r"(?:^|(?<=[\n;]))\s*([A-Za-z][A-Za-z0-9 /_-]{1,40}?)\s*:\s*(?=\S)")
_STATUS = {
    "present": ("present", "active", "current"),
    "confirmed": ("confirmed",),
    "stored": ("stored", "memorised", "memory"),
    "pending": ("pending", "provisional"),
    "permanent": ("permanent",),
    "healed": ("healed", "passive", "history"),
}
_STATUS_WORD = {word: status for status, words in _STATUS.items() for word in words}
_FILLERS = re.compile(
    r"\b(?:code|codes|dtc|dtcs|fault|faults|and|status|in)\b|[\s,;:()\[\]./+&|\-]+", re.IGNORECASE
)


@dataclass(frozen=True)
class PastedCode:
    """One code as it stands in the text.

    Parameters
    ----------
    code : str
        As written.
    status : str
        `present`, `confirmed`, `stored`, `pending`, `permanent`, `healed`, or empty where nothing says.
    module : str
        What stood before a colon at the beginning of the line, else empty.
    """

    code: str
    status: str
    module: str


def find_codes(text: str) -> tuple[list[PastedCode], list[str]]:
    """Find the codes of a text.

    Parameters
    ----------
    text : str
        As typed or pasted; at most `LONGEST_TEXT` characters are read.

    Returns
    -------
    tuple
        The codes in order, each once per module, and what else the text says and was not understood.
    """
    found: dict[tuple[str, str], PastedCode] = {}
    rest: list[str] = []
    for line in re.split(r"[\n;]", text[:LONGEST_TEXT]):
        module, body = _module_of(line)
        hits = list(_CODE.finditer(body))
        if not hits and body.strip():
            rest.append(line.strip())
        for number, hit in enumerate(hits):
            end = hits[number + 1].start() if number + 1 < len(hits) else len(body)
            before = body[: hit.start()] if number == 0 else ""
            status, strange = _status_of(body[hit.end() : end])
            early, also_strange = _status_of(before)
            code = re.sub(r"\s+", " ", hit["code"]).strip()
            found.setdefault((module, _bare(code)), PastedCode(code, status or early, module))
            rest += [s for s in (also_strange, strange) if s]
    return list(found.values()), rest


def _module_of(line: str) -> tuple[str, str]:
    """What stands before a colon at the beginning of a line, unless it is a code itself."""
    named = _MODULE.match(line)
    if named is None or _CODE.search(named[1]) or named[1].casefold() in ("code", "codes", "dtc", "fault"):
        return "", line
    return named[1].strip().casefold(), line[named.end() :]


def _status_of(text: str) -> tuple[str, str]:
    """The status a text names, and what is left of the text."""
    status = ""
    for word in re.findall(r"[A-Za-z]+", text):
        status = status or _STATUS_WORD.get(word.casefold(), "")
    left = re.sub(r"[A-Za-z]+", lambda w: "" if w[0].casefold() in _STATUS_WORD else w[0], text)
    return status, _FILLERS.sub(" ", left).strip()


def _bare(code: str) -> str:
    return re.sub(r"[^0-9A-Z]", "", code.upper())
