"""How long ago each van was last seen in each state, or answered from each module: a tile per van and column."""

from __future__ import annotations

from functools import cache
from typing import Any

import altair as alt
import polars as pl

from dashboard.charts.frame import Chart, configure
from dashboard.charts.palette import THEMES, Theme
from dashboard.charts.words import clean_text
from pipeline import vocabulary
from pipeline.counted import count_of

RECENT_DAYS = 90
MOST_VANS = 40
LEAST_SIBLINGS = 3
CLASSES = ("Last 30 days", "31 to 90 days", "91 to 365 days", "Over a year ago", "Asked, silent", "Never")
_INK = (0.54, 0.36, 0.2, 0.08)
_ROW = 22
# Not asked for: nobody can ask a van to be driven in these on purpose, or they are not compared.
NOT_ASKED_FOR = ("unknown", "other", "cranking", "warming_idle")


def title_of(kind: str, name: str) -> str:
    """Return the words for a column: the state's name, or the module."""
    names = {s.key: s.name for s in vocabulary.states()}
    words = names.get(name, name) if kind == "state" else name
    return clean_text(words).replace("_", " ")


def order_columns(rows: pl.DataFrame, kind: str) -> list[str]:
    """Return the columns of a kind: states in the order of driving, modules the most seen first."""
    own = rows.filter(pl.col("kind") == kind)
    if kind == "state":
        known = [s.key for s in vocabulary.states() if s.key not in NOT_ASKED_FOR]
        present = set(own["name"].to_list())
        return [name for name in known if name in present]
    seen = own.group_by("name").agg(pl.col("n_scans").sum()).sort("n_scans", "name", descending=[True, False])
    return seen["name"].to_list()


def find_gaps(rows: pl.DataFrame) -> pl.DataFrame:
    """Return what a van lacks of late and most of its siblings have: what to measure next.

    Rows of vans in service whose column was not seen within `RECENT_DAYS`, while at least half of the other vans of the
    group have it and these are `LEAST_SIBLINGS` or more; never seen first, then the longest ago.
    """
    lacks = pl.col("days").is_null() | (pl.col("days") > RECENT_DAYS)
    usual = (pl.col("n_siblings_recent") >= LEAST_SIBLINGS) & (
        pl.col("n_siblings_recent") * 2 >= pl.col("n_siblings")
    )
    found = rows.filter(lacks & usual & ~pl.col("is_retired") & ~pl.col("name").is_in(NOT_ASKED_FOR))
    share = pl.col("n_siblings_recent") / pl.col("n_siblings")
    return found.sort(pl.col("days").fill_null(10**6), share, "van", descending=[True, True, False])


def say_gap(row: dict[str, Any]) -> str:
    """Say in a line what a van lacks and what to do about it."""
    what, van = title_of(row["kind"], row["name"]), clean_text(row["van"])
    ago = f"last {count_of(int(row['days']), 'day')} ago" if row["days"] is not None else "never"
    siblings = f"{row['n_siblings_recent']} of {count_of(row['n_siblings'], 'sibling')} have one"
    if row["kind"] == "state":
        return f"Van {van}: no {what} in {RECENT_DAYS} days ({ago}); {siblings}. Ask for a scan at {what}."
    if row["n_silent"] and row["days"] is None:
        return f"Van {van}: {what} was asked {count_of(row['n_silent'], 'time')} and never answered. See whether it is fitted."
    return f"Van {van}: no answer from {what} in {RECENT_DAYS} days ({ago}); {siblings}. Ask for it with the next scan."


def class_of(row: dict[str, Any]) -> str:
    """Return the class of a tile."""
    days = row["days"]
    if days is None:
        return CLASSES[4] if row["n_silent"] else CLASSES[5]
    return (
        CLASSES[0] if days <= 30 else CLASSES[1] if days <= 90 else CLASSES[2] if days <= 365 else CLASSES[3]
    )


def choose_vans(rows: pl.DataFrame, columns: list[str]) -> list[str]:
    """Return the vans to draw: those that lack most of late first, at most `MOST_VANS`."""
    late = (pl.col("days").is_null() | (pl.col("days") > RECENT_DAYS)).sum().alias("late")
    oldest = pl.col("days").fill_null(10**6).sum().alias("oldest")
    own = rows.filter(pl.col("name").is_in(columns)).group_by("van").agg(late, oldest)
    return own.sort("late", "oldest", "van", descending=[True, True, False])["van"].to_list()[:MOST_VANS]


def _mix(ground: str, ink: str, share: float) -> str:
    parts = [
        round(int(ground[n : n + 2], 16) * (1 - share) + int(ink[n : n + 2], 16) * share) for n in (1, 3, 5)
    ]
    return "#" + "".join(f"{p:02X}" for p in parts)


def tile_colours(theme: Theme) -> list[str]:
    """Return the ground of each class: more ink, better known; silent in the colour of what stands out, never on bare ground."""
    faded = [_mix(theme.ground, theme.chosen, share) for share in _INK]
    return [*faded, _mix(theme.ground, theme.outside, 0.3), theme.ground]


def _tiles(rows: pl.DataFrame, kind: str, columns: list[str], vans: list[str]) -> pl.DataFrame:
    titles = {name: title_of(kind, name) for name in columns}
    own = rows.filter((pl.col("kind") == kind) & pl.col("van").is_in(vans) & pl.col("name").is_in(columns))
    tiles = []
    for row in own.iter_rows(named=True):
        word, van = class_of(row), clean_text(row["van"])
        text = f"{row['days']}" if row["days"] is not None else "silent" if row["n_silent"] else "never"
        told = (
            f"{row['days']} days ago, {count_of(row['n_scans'], 'scan')}" if row["days"] is not None else text
        )
        tiles.append(
            {
                "van": van,
                "column": titles[row["name"]],
                "text": text,
                "word": word,
                "said": f"Van {van}, {titles[row['name']]}: {told}",
            }
        )
    return pl.DataFrame(tiles, schema=dict.fromkeys(("van", "column", "text", "word", "said"), pl.String))


@cache
def _build_template(theme_name: str) -> dict[str, Any]:
    """Build and check the spec once per theme; the names of the columns stand upright, so that a phone has room."""
    theme: Theme = THEMES[theme_name]
    head = alt.Axis(
        title=None, orient="top", grid=False, labelAngle=-90, labelLimit=120, labelFlush=False, labelPadding=4
    )
    x = alt.X("column:N", sort=None, axis=head, scale=alt.Scale(paddingInner=0.06))
    y = alt.Y(
        "van:N",
        sort=None,
        axis=alt.Axis(title=None, grid=False, labelLimit=90),
        scale=alt.Scale(paddingInner=0.1),
    )
    legend = alt.Legend(
        title="Days since, by colour", orient="top", direction="horizontal", columns=2, symbolType="square",
        symbolSize=140, symbolStrokeColor=theme.edge, labelLimit=150, offset=8,
    )  # fmt: skip
    colour = alt.Color(
        "word:N", scale=alt.Scale(domain=list(CLASSES), range=tile_colours(theme)), legend=legend
    )
    tiles = alt.Chart(alt.NamedData("tiles"))
    return configure(
        alt.layer(
            tiles.mark_rect(stroke=theme.edge, strokeWidth=0.6).encode(
                x, y, colour, description="said:N", tooltip=alt.Tooltip("said:N", title="Last seen")
            ),
            tiles.mark_text(color=theme.text, fontSize=11, aria=False).encode(x, y, text="text:N"),
        ),
        theme,
    )


def draw_last_seen(rows: pl.DataFrame, kind: str, theme: Theme) -> Chart:
    """Draw a tile per van and state, or per van and module: days since it was last seen.

    Parameters
    ----------
    rows : polars.DataFrame
        Rows of `list_last_seen`.
    kind : str
        `state` or `module`.
    theme : Theme
        Colours and font.
    """
    columns = order_columns(rows, kind)
    vans = choose_vans(rows.filter(pl.col("kind") == kind), columns)
    spec = _build_template(theme.name) | {
        "height": len(vans) * _ROW,
        "autosize": {"type": "fit-x", "contains": "padding"},
    }
    tiles = _tiles(rows, kind, columns, vans)
    order = {clean_text(van): n for n, van in enumerate(vans)}
    places = {title_of(kind, name): n for n, name in enumerate(columns)}
    tiles = tiles.sort(
        pl.col("van").replace_strict(order, return_dtype=pl.Int64),
        pl.col("column").replace_strict(places, return_dtype=pl.Int64),
    )
    late = tiles.filter(~pl.col("word").is_in(CLASSES[:2])).height
    what = "states" if kind == "state" else "modules"
    told = f"{count_of(len(vans), 'van')} by {len(columns)} {what}; {late} of {tiles.height} tiles not seen in {RECENT_DAYS} days."
    return Chart(spec, {"tiles": tiles}, f"Tiles by van. {told}")
