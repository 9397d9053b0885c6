"""Forgetting: a person's name out of everything the home holds, with a journal entry that does not repeat it.

The redacted copy of an original takes its place under the hash of its own content, the rows come from the originals
once more in a new work file, and all that does not name people must come out the same: else nothing is changed.
New files are written before old ones are moved aside, so a run that is cut short is made good by the next.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from pipeline.durable import json_text, put_in_place, write_json
from pipeline.errors import KinbayError
from pipeline.ingest import fingerprints, originals
from pipeline.ingest.journal import FORGOTTEN, read_withdrawals, write_entry
from pipeline.ingest.opening import LOCK_WAIT_S
from pipeline.ingest.originals import Acceptance
from pipeline.ingest.rebuilding import bring_back, rebuild_open
from pipeline.ingest.redacting import Name, is_text, may_hold, packed_holds, redact
from pipeline.ingest.setting_aside import Aside, set_aside
from pipeline.normalise.times import utc_now
from pipeline.read import read_layouts
from pipeline.settings import Home
from pipeline.warehouse import lock, raw


@dataclass
class Forgotten:
    """What was done.

    Parameters
    ----------
    n_places : int
        Places in originals at which the name stood.
    n_files, n_entries : int
        Originals and journal entries that were redacted.
    by_hand : list of str
        Files that hold the name still, each with what to do about it.
    was_now : dict
        Hashes of redacted files, the new by the old.
    dropped : list of str
        Hashes of withdrawn workbooks and the like that were deleted.
    """

    n_places: int = 0
    n_files: int = 0
    n_entries: int = 0
    by_hand: list[str] = field(default_factory=list)
    was_now: dict[str, str] = field(default_factory=dict)
    dropped: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """Return the outcome as lines for a terminal."""
        done = f"The name was removed at {self.n_places:,} places in {self.n_files:,} originals"
        done += f" and from {self.n_entries:,} journal entries."
        if self.dropped:
            done += f" {len(self.dropped):,} withdrawn files that held it were deleted."
        return [done, *self.by_hand]


def forget(home: Home, person: str, why: str) -> Forgotten:
    """Take a person's name out of originals, journal and raw store.

    Parameters
    ----------
    person : str
        The name as it stands in the files; other spellings are other names.
    why : str
        Why; kept in the journal, without the name.

    Raises
    ------
    KinbayError
        Where no reason is given, the name is also that of a van, reader or the like, or rows would come out
        otherwise without it; nothing is changed then.
    """
    name, reason = Name(person), why.strip()
    if not reason:
        raise KinbayError("A reason is missing", remedy="Say why with --why, without the name.")
    home.ensure()
    done = Forgotten()
    with lock.hold(home.warehouse / ".lock", LOCK_WAIT_S), set_aside(home) as moved:
        originals.clear_staged(home)
        with raw.open_work(home) as connection:
            bring_back(home, connection)
            fingerprints.refuse_keys(connection, name)
            before = fingerprints.print_tables(connection)
            is_stored = fingerprints.is_stored(connection, name)
        _redact_originals(home, name, done, moved)
        _accept_entries(home, name, done, moved)
        _redact_journal(home, name, done, moved)
        if done.n_files or done.n_entries or done.was_now or done.dropped or is_stored:
            _note(home, name.replace(reason)[0], done, moved)
            moved.away_with_due()
            for path in (home.work_db, home.work_db.with_name(f"{home.work_db.name}.wal")):
                moved.away(path)
                moved.made.append(path)
            with raw.open_work(home) as connection:
                rebuild_open(home, connection)
                if fingerprints.print_tables(connection) != before:
                    raise KinbayError(
                        "Without the name other rows would change too: it stands where files are told apart by it",
                        remedy="Nothing was changed. Withdraw that file and load a copy without the name.",
                    )
    done.by_hand += _list_holders(home, name)
    return done


def _redact_originals(home: Home, name: Name, done: Forgotten, moved: Aside) -> None:
    layouts, withdrawn = read_layouts(home.layouts), read_withdrawals(home)
    for one in originals.list_accepted(home):
        about = home.originals / f"{one.file_id}{originals.ABOUT}"
        path = home.originals / f"{one.file_id}{one.suffix}"
        called = replace(one, file=name.replace(one.file)[0], folder=name.replace(one.folder)[0])
        layout = layouts.get(one.layout or "")
        if one.is_entry or not path.exists():
            continue
        if not is_text(path):
            _packed(
                path, about, called, name, done, moved, is_out=withdrawn.covers(one.file_id, one.batch_id)
            )
        elif may_hold(path, name, layout.file.encoding if layout else None):
            content, places = redact(path, name, layout.file.encoding if layout else None)
            if places:
                done.n_places, done.n_files = done.n_places + places, done.n_files + 1
                called = _put(home, content, called, moved)
                done.was_now[one.file_id] = called.file_id
                moved.due += [about, path]
                continue
        if called != one and about.exists():
            moved.before_change(about)
            write_json(about, asdict(called))
            done.n_files += 1


def _packed(
    path: Path, about: Path, called: Acceptance, name: Name, done: Forgotten, moved: Aside, *, is_out: bool
) -> None:
    """A workbook, Parquet file or PDF: deleted where it was withdrawn, else left to a person."""
    if not packed_holds(path, name):
        return
    if is_out:
        moved.due += [about, path]
        done.dropped.append(called.file_id)
        return
    done.by_hand.append(
        f"{called.file} ({called.file_id[:12]}) holds the name still and cannot be changed in place: save a copy "
        f"without it, run kinbay withdraw {called.file_id[:12]}, load the copy, then run this again; "
        "the withdrawn file is deleted then."
    )


def _put(home: Home, content: bytes, one: Acceptance, moved: Aside) -> Acceptance:
    """Keep a redacted copy under its own hash; where there is one of that content, the earlier acceptance stands."""
    fresh = replace(one, file_id=hashlib.sha256(content).hexdigest())
    place, about = (
        home.originals / f"{fresh.file_id}{one.suffix}",
        home.originals / f"{fresh.file_id}{originals.ABOUT}",
    )
    if not place.exists():
        beside = home.originals / f"{originals.INCOMING}{uuid.uuid4().hex}"
        beside.write_bytes(content)
        put_in_place(beside, place)
        place.chmod(0o444)
        moved.made.append(place)
    if not about.exists():
        moved.made.append(about)
        write_json(about, asdict(fresh))
    return fresh


def _accept_entries(home: Home, name: Name, done: Forgotten, moved: Aside) -> None:
    """Say of each entry that will be redacted how it was read, under its hash to come."""
    for one in originals.list_accepted(home):
        path = home.journal / one.file.rsplit("/", 1)[-1]
        if not one.is_entry or not path.exists():
            continue
        content = path.read_text(encoding="utf-8")
        clean = name.replace_within(json.loads(content))
        is_named = clean != json.loads(content)
        told = (json_text(clean) if is_named else content).encode("utf-8")
        fresh = replace(one, file_id=hashlib.sha256(told).hexdigest())
        about = home.originals / f"{fresh.file_id}{originals.ABOUT}"
        if fresh.file_id == one.file_id or not (is_named or about.exists()):
            continue
        if not about.exists():
            moved.made.append(about)
            write_json(about, asdict(fresh))
        moved.due.append(home.originals / f"{one.file_id}{originals.ABOUT}")
        done.was_now[one.file_id] = fresh.file_id


def _redact_journal(home: Home, name: Name, done: Forgotten, moved: Aside) -> None:
    """Replace the name in every entry, and let withdrawals point at the redacted copies."""
    for path in sorted(home.journal.glob("*.json")):
        entry = json.loads(path.read_text(encoding="utf-8"))
        clean = name.replace_within(entry)
        done.n_entries += clean != entry
        if entry.get("kind") == "withdrawal":
            clean["file_id"] = done.was_now.get(clean["file_id"], clean["file_id"])
        if clean != entry:
            moved.before_change(path)
            write_json(path, clean)


def _note(home: Home, why: str, done: Forgotten, moved: Aside) -> None:
    """Write down what was done, without the name: old and new hashes, counts and why."""
    content = {
        "why": why,
        "redacted": [{"was": was, "is": now} for was, now in done.was_now.items()],
        "deleted": done.dropped,
        "places": done.n_places,
        "entries": done.n_entries,
    }
    moved.made.append(home.journal / write_entry(home, FORGOTTEN, utc_now(), content))


def _list_holders(home: Home, name: Name) -> list[str]:
    """Files outside originals, journal and warehouse that hold the name: a person's own, left to them."""
    found = []
    for path in sorted(p for p in home.path.rglob("*") if p.is_file() and not p.is_symlink()):
        if path.is_relative_to(home.warehouse):
            continue
        is_kept = path.is_relative_to(home.originals) and not is_text(path)
        holds = (
            (may_hold(path, name) and redact(path, name)[1] > 0)
            if is_text(path)
            else packed_holds(path, name)
        )
        if not is_kept and (holds or name.stands_in(path.name)):
            where = path.relative_to(home.path).as_posix()
            found.append(f"{where} holds the name still: take it out by hand, or delete the file.")
    return found
