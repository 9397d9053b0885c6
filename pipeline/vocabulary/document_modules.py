"""Writes docs/modules.md from the vocabulary: `python -m pipeline.vocabulary.document_modules`."""

from __future__ import annotations

from pathlib import Path

from pipeline.vocabulary.modules import modules

PAGE = Path("docs/modules.md")
_HEAD = """# Modules

Made from `pipeline/vocabulary/modules.toml` by `python -m pipeline.vocabulary.document_modules`; a test checks that
it is fresh. A module that a reader names by any of these names, whatever case, accents or hyphens, counts under the
first: so readers that name it differently share its coverage and its codes. The reader's own name is kept beside it
(`module_given`). Any other name keeps standing for a module of its own; where it comes close to a known one, the
load says so, and the fleet decides in `fleet.toml`:

```toml
[modules]
"ZKE" = "body"
```

Names that mean several things (ECU, control unit, a bare number or address) are left out on purpose. Source of the
names: common practice, no source.

| module | what it controls | other names |
|---|---|---|
"""


def page() -> str:
    """Return the page as Markdown."""
    rows = [f"| {m.name} | {m.says} | {'; '.join(m.names[1:])} |" for m in modules()]
    return _HEAD + "\n".join(rows) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
