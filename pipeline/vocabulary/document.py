"""Writes docs/readings.md from the vocabulary: `python -m pipeline.vocabulary.document`."""

from __future__ import annotations

from pathlib import Path

from pipeline.vocabulary.physics import worked_out
from pipeline.vocabulary.records import cautions, parameters, states

PAGE = Path("docs/readings.md")
_HEAD = """# Readings, operating states and cautions

Made from the vocabulary's data files; a test checks that it is fresh. Role *health* is compared between vans,
*context* finds the operating state or explains, *counter* only counts. *Step* is one count of the usual scaling
and *worth a look* the smallest useful difference: both are proposals, and settings of the fleet
(`[parameters.KEY]` in `fleet.toml`). A reading is found by its key, by its name, or by any of the other names,
whatever case or accents.
"""


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def page() -> str:
    """Return the page as Markdown."""
    lines = [_HEAD, "## Readings", ""]
    lines += [
        "| key | name | unit | role | step | worth a look | plausible | taken for missing | other names | source |"
    ]
    lines += ["|---|---|---|---|---|---|---|---|---|---|"]
    for p in parameters():
        names = "; ".join(n for given in p.aliases.values() for n in given)
        cells = (
            f"`{p.key}`", p.name, p.unit, p.role, _number(p.resolution), _number(p.smallest_useful),
            f"{p.plausible_low:g} to {p.plausible_high:g}", ", ".join(f"{s:g}" for s in p.sentinels), names, p.source,
        )  # fmt: skip
        lines.append("| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |")
    lines += ["", "## Readings worked out from others", ""]
    lines += ["Taken as shown where the reader shows them itself.", ""]
    lines += ["| key | formula | from | states | none | source |", "|---|---|---|---|---|---|"]
    source = {p.key: p.source for p in parameters()}
    for w in worked_out():
        row = (
            f"`{w.parameter}`",
            w.formula,
            ", ".join(w.inputs),
            ", ".join(w.states),
            w.silent,
            source[w.parameter],
        )
        lines.append("| " + " | ".join(cell.replace("|", "&#124;") for cell in row) + " |")
    lines += [
        "",
        "## Operating states",
        "",
        "First match wins. Source: common practice, no source; thresholds are proposals.",
        "",
    ]
    lines += ["| key | in words | compared | rule |", "|---|---|---|---|"]
    for s in states():
        rules = " **or** ".join(
            ", ".join(
                f"{c['signal']} {c['is']} {c['value']:g}{' (if read)' if c.get('if_missing') == 'pass' else ''}"
                for c in rule
            )
            for rule in s.rules
        )
        fallback = {"unknown": "no engine speed was read", "other": "running, and nothing above holds"}
        lines.append(
            f"| `{s.key}` | {s.name} | {'yes' if s.is_comparable else 'no'} | {rules or fallback[s.key]} |"
        )
    lines += ["", "## Cautions", "", "| id | when | caution | source |", "|---|---|---|---|"]
    lines += [f"| {c.key} | {c.when} | {c.text} | {c.source} |" for c in cautions()]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
