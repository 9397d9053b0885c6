"""Times and dates: ISO 8601 only, local times through the fleet's zone into UTC; a doubtful order is refused.

A local time that a clock change repeats is read with the offset before the change (the earlier of the two
instants); one that a clock change leaves out is read with the offset before the change as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import polars as pl

from pipeline.normalise import text
from pipeline.normalise.distinct import part_distinct

EARLIEST = datetime(1990, 1, 1)
AHEAD = timedelta(days=1)
_UTC_TIME = pl.Datetime("us")
_PLAIN_ISO = r"^\d{4}-\d{2}-\d{2}T(?:[01]\d|2[0-3]):\d{2}:[0-5]\d$"
_ISO = (
    r"^(?P<day>\d{4}-\d{2}-\d{2})"
    r"(?:[Tt ](?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?)?)?"
    r" ?(?P<offset>[Zz]|[+-]\d{2}(?::?\d{2})?)?$"
)
NOT_ISO = "The time is not written as ISO 8601, so the order of day and month is in doubt"
NOT_ISO_DATE = "The date is not written as ISO 8601, so the order of day and month is in doubt"
WRITE_TIME = "Write it as 2026-03-02T07:40:00, or describe the file by a layout with [time] formats."
WRITE_DATE = "Write it as 2026-03-02, or describe the file by a layout with [time] formats."
NO_SUCH = "There is no such day or hour"
TOO_EARLY = "The time lies before 1990"
TOO_LATE = "The time lies in the future"
CHECK_CLOCK = "Check the reader's clock and the year, then load the corrected file."


@dataclass(frozen=True)
class Times:
    """Parsed times beside what is wrong with the rest; all of one length.

    `value` is naive UTC (or a date); `reason` and `remedy` are null where nothing is wrong; `is_doubtful`
    marks local times within a clock change.
    """

    value: pl.Series
    is_missing: pl.Series
    reason: pl.Series
    remedy: pl.Series
    is_doubtful: pl.Series

    @property
    def is_wrong(self) -> pl.Series:
        """Boolean, one per row: given, but not usable."""
        return self.reason.is_not_null()


def part_midnight(text: pl.Expr) -> tuple[pl.Expr, pl.Expr]:
    """Write the end of a day (`24:00`, `24:00:00`) as its beginning, and say which texts had one.

    ISO 8601 lets 24:00 stand for the end of a day, which is the beginning of the next (from memory); any other
    time with hour 24 stays as it is and is refused.
    """
    ends_day = text.str.contains(r"[T ]24:00(?::00(?:[.,]0+)?)?(?: ?(?:[Zz]|[+-]\d{2}(?::?\d{2})?))?$")
    begun = text.str.replace(r"([T ])24:00", "${1}00:00")
    return pl.when(ends_day).then(begun).otherwise(text), ends_day.fill_null(value=False)


def _parts(given: pl.Series) -> pl.DataFrame:
    """Split texts into local time and offset; the plainest form of ISO 8601 needs no splitting.

    Returns
    -------
    pl.DataFrame
        `is_iso`, `local`, `offset_min`, `has_offset`, one row per text.
    """
    is_plain = given.str.contains(_PLAIN_ISO).fill_null(value=False)
    if is_plain.all():
        return _plain_parts(given)
    if not is_plain.any():
        return _general_parts(given)
    plain, general = _plain_parts(given.filter(is_plain)), _general_parts(given.filter(~is_plain))
    order = pl.concat([is_plain.arg_true(), (~is_plain).arg_true()])
    return pl.concat([plain, general]).with_columns(order.alias("order")).sort("order").drop("order")


def _plain_parts(given: pl.Series) -> pl.DataFrame:
    return pl.DataFrame(
        {"local": given.str.to_datetime("%Y-%m-%dT%H:%M:%S", strict=False, time_unit="us")}
    ).select(
        pl.lit(True).alias("is_iso"),
        "local",
        pl.lit(None, pl.Int64).alias("offset_min"),
        pl.lit(False).alias("has_offset"),
    )


def _general_parts(given: pl.Series) -> pl.DataFrame:
    """Any other form; `is_iso` is false where the text is none of them."""
    begun, ends_day = part_midnight(pl.lit(given))
    text = pl.select(begun.alias("text"), ends_day.alias("ends_day"))
    found = text["text"].str.extract_groups(_ISO).struct.unnest().with_columns(text["ends_day"])
    clock = pl.format(
        "{}T{}:{}:{}.{}",
        pl.col("day"),
        pl.col("hour").fill_null("00").str.zfill(2),
        pl.col("minute").fill_null("00"),
        pl.col("second").fill_null("00"),
        pl.col("fraction").fill_null("0").str.slice(0, 6).str.pad_end(6, "0"),
    )
    plain = (
        pl.col("offset")
        .str.replace_all(":", "", literal=True)
        .str.to_uppercase()
        .replace("Z", "+0000")
        .str.pad_end(5, "0")
    )
    minutes = plain.str.slice(1, 2).cast(pl.Int64) * 60 + plain.str.slice(3, 2).cast(pl.Int64)
    signed = pl.when(plain.str.starts_with("-")).then(-minutes).otherwise(minutes)
    return found.select(
        is_iso=pl.col("day").is_not_null(),
        local=clock.str.to_datetime("%Y-%m-%dT%H:%M:%S.%6f", strict=False, time_unit="us")
        + pl.duration(days=pl.col("ends_day").cast(pl.Int64)),
        offset_min=pl.when(minutes <= 18 * 60).then(signed),
        has_offset=pl.col("offset").is_not_null(),
    )


def to_utc(local: pl.Series, zone: str) -> tuple[pl.Series, pl.Series]:
    """Turn naive local times of a zone into naive UTC.

    Returns
    -------
    tuple of pl.Series
        The times, and whether each lies in an hour that a clock change repeats or leaves out.
    """
    if zone == "UTC":
        return local, pl.repeat(value=False, n=len(local), dtype=pl.Boolean, eager=True)
    step = timedelta(hours=3)
    frame = pl.DataFrame({"local": local}).with_columns(
        first=_in_zone(pl.col("local"), zone, "earliest"),
        last=_in_zone(pl.col("local"), zone, "latest"),
        before=_in_zone(pl.col("local") - step, zone, "earliest") + step,
    )
    done = frame.select(
        utc=pl.col("first").fill_null(pl.col("before")),
        is_doubtful=pl.col("local").is_not_null()
        & ((pl.col("first") != pl.col("last")) | pl.col("first").is_null()),
    )
    return done["utc"], done["is_doubtful"]


def _in_zone(local: pl.Expr, zone: str, ambiguous: str) -> pl.Expr:
    aware = local.dt.replace_time_zone(zone, ambiguous=ambiguous, non_existent="null")  # type: ignore[arg-type]
    return aware.dt.convert_time_zone("UTC").dt.replace_time_zone(None)


def parse_times(
    given: pl.Series, zone: str, now: datetime, missing_words: frozenset[str] = frozenset()
) -> Times:
    """Parse a column of time texts.

    Parameters
    ----------
    given : pl.Series
        ISO 8601 with `T` or a space, with or without seconds, fraction and offset; a date alone is midnight.
    zone : str
        Zone of the times that carry no offset.
    now : datetime
        Naive UTC; later than a day after it is refused.
    missing_words : frozenset of str
        Further words for "no value", folded.

    Returns
    -------
    Times
        `value` in naive UTC.
    """
    different = part_distinct(given)
    keys = different.texts.cast(pl.String).str.strip_chars()
    parsed = _parse_keys(keys, zone, now, missing_words)
    names = ("is_missing", "reason", "remedy", "is_doubtful")
    return Times(
        different.spread(parsed["value"]).alias(given.name), *(different.spread(parsed[n]) for n in names)
    )


def _parse_keys(keys: pl.Series, zone: str, now: datetime, missing_words: frozenset[str]) -> pl.DataFrame:
    """Every different text once: they are few beside the rows."""
    parts = _parts(keys)
    local, doubtful = to_utc(parts["local"].filter(~parts["has_offset"]), zone)
    bare = (~parts["has_offset"]).arg_true()
    stated = parts.select(pl.col("local") - pl.duration(minutes=pl.col("offset_min"))).to_series()
    value = stated.scatter(bare, local)
    is_doubtful = pl.repeat(value=False, n=len(keys), dtype=pl.Boolean, eager=True).scatter(bare, doubtful)
    return _judge(keys, parts["is_iso"], value, is_doubtful, now, missing_words)


def _judge(
    keys: pl.Series,
    is_iso: pl.Series,
    value: pl.Series,
    is_doubtful: pl.Series,
    now: datetime,
    words: frozenset[str],
) -> pl.DataFrame:
    """Say for each text whether it is missing, usable, or why not."""
    unread = pl.select(pl.when(is_iso).then(pl.lit("0")).otherwise(keys)).to_series()
    frame = pl.DataFrame(
        {
            "key": keys,
            "is_iso": is_iso,
            "value": value,
            "is_doubtful": is_doubtful,
            "is_missing": text.missing(unread, words),
        }
    )
    late, early = pl.col("value") > now + AHEAD, pl.col("value") < EARLIEST
    reason = (
        pl.when("is_missing").then(None)
        .when(~pl.col("is_iso")).then(pl.lit(NOT_ISO))
        .when(pl.col("value").is_null()).then(pl.lit(NO_SUCH))
        .when(early).then(pl.lit(TOO_EARLY))
        .when(late).then(pl.lit(TOO_LATE))
    )  # fmt: skip
    return frame.with_columns(reason=reason).with_columns(
        value=pl.when(pl.col("reason").is_null()).then("value"),
        is_doubtful=pl.col("is_doubtful").fill_null(value=False),
        remedy=pl.when(pl.col("reason") == NOT_ISO)
        .then(pl.lit(WRITE_TIME))
        .when(pl.col("reason").is_not_null())
        .then(pl.lit(CHECK_CLOCK)),
    )


def parse_dates(given: pl.Series, missing_words: frozenset[str] = frozenset()) -> Times:
    """Parse a column of dates; a time at midnight, as spreadsheets give it, is a date too.

    Returns
    -------
    Times
        `value` holds dates; `is_doubtful` is false throughout.
    """
    stripped = given.cast(pl.String).str.strip_chars()
    frame = pl.DataFrame({"key": stripped}).with_columns(
        day=pl.col("key").str.extract(r"^(\d{4}-\d{2}-\d{2})(?:[T ]00:00(?::00(?:\.0+)?)?)?$")
    )
    frame = frame.with_columns(value=pl.col("day").str.to_date("%Y-%m-%d", strict=False))
    unread = frame.select(pl.when(pl.col("day").is_null()).then("key").otherwise(pl.lit("0"))).to_series()
    frame = frame.with_columns(is_missing=text.missing(unread, missing_words)).with_columns(
        reason=pl.when("is_missing").then(None)
        .when(pl.col("day").is_null()).then(pl.lit(NOT_ISO_DATE))
        .when(pl.col("value").is_null()).then(pl.lit(NO_SUCH))
    )  # fmt: skip
    frame = frame.with_columns(remedy=pl.when(pl.col("reason").is_not_null()).then(pl.lit(WRITE_DATE)))
    never = pl.repeat(value=False, n=len(frame), dtype=pl.Boolean, eager=True)
    return Times(
        frame["value"].alias(given.name), frame["is_missing"], frame["reason"], frame["remedy"], never
    )


def utc_now() -> datetime:
    """Return the present time as naive UTC."""
    return datetime.now(UTC).replace(tzinfo=None)
