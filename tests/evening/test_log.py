"""The log of an evening: what was acknowledged is there, once, whatever happens; and the state follows from it alone."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from nestcut.errors import InputError
from nestcut.evening import Event, EventLog, reckon
from tests.shared.checked_plans import many, squares

WRITER = """
import sys
from nestcut.evening import Event, EventLog
from tests.shared.checked_plans import many
log = EventLog(sys.argv[1], many())
print("ready", flush=True)
for number in range(int(sys.argv[2]), 10**6):
    log.append(Event(f"id {number}", "done", {"pass": number}))
    print(number, flush=True)
"""


def test_an_event_counts_once(tmp_path: Path) -> None:
    """The same id sent again changes nothing, also after the file is opened anew."""
    with EventLog(tmp_path / "evening.db", many()) as log:
        assert log.append(Event("a", "done", {"pass": 1}))
        assert not log.append(Event("a", "done", {"pass": 2}))
    with EventLog(tmp_path / "evening.db", many()) as log:
        assert not log.append(Event("a", "done", {"pass": 1}))
        assert [(one.id, dict(one.data)) for one in log.events()] == [("a", {"pass": 1})]


def test_events_stay(tmp_path: Path) -> None:
    """The file itself refuses to change or to forget an event."""
    with EventLog(tmp_path / "evening.db", many()) as log:
        log.append(Event("a", "done", {"pass": 1}))
    con = sqlite3.connect(tmp_path / "evening.db")
    for words in ("delete from event", "update event set kind = 'undone'"):
        with pytest.raises(sqlite3.IntegrityError):
            con.execute(words)
    con.close()


def test_a_log_belongs_to_its_plan(tmp_path: Path) -> None:
    """Another plan, another database and noise are refused and left as they are."""
    path = tmp_path / "evening.db"
    EventLog(path, many()).close()
    with pytest.raises(InputError, match="another plan"):
        EventLog(path, squares())
    other = tmp_path / "other.db"
    sqlite3.connect(other).execute("create table x (y)")
    noise = tmp_path / "noise.db"
    noise.write_bytes(b"no database at all, but long enough to look like a file of something" * 40)
    for file in (other, noise):
        held = file.read_bytes()
        with pytest.raises(InputError, match="no log"):
            EventLog(file, many())
        assert file.read_bytes() == held


def test_what_does_not_fit_changes_nothing() -> None:
    """A pass is done in its turn, once; undone as the last; what failed in it goes with it."""
    plan = many()
    slot = plan.passes[1].cuts[0].slot

    def done(number: int, name: str) -> Event:
        return Event(name, "done", {"pass": number})

    events = [
        done(1, "a"),
        done(1, "b"),  # a second device that had not seen the first press
        done(3, "c"),
        done(2, "d"),
        Event("e", "missed", {"pass": 2, "slot": slot}),
        Event("f", "missed", {"pass": 5, "slot": 0}),
        Event("g", "undone", {"pass": 1}),
        Event("h", "spoilt", {"scrap": "nowhere"}),
    ]
    state = reckon(plan, events)
    assert state.done == 2
    assert [(one.pass_number, one.slot) for one in state.missed] == [(2, slot)]
    assert not state.spoilt
    back = reckon(plan, [*events, Event("i", "undone", {"pass": 2})])
    assert (back.done, back.missed) == (1, ())
    assert reckon(plan, [*events, *events]) == state


@pytest.mark.thorough
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no kill -9 on this system")
def test_kills_lose_nothing(tmp_path: Path) -> None:
    """50 kills at random moments: every acknowledged event is there once, and nothing but whole events."""
    path = tmp_path / "evening.db"
    chance = random.Random("kills")
    told = -1
    for _ in range(50):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), str(told + 1)],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
        time.sleep(chance.random() * 0.05)
        writer.kill()
        for line in writer.stdout.read().splitlines(keepends=True):
            if line.endswith("\n"):
                told = int(line)
        writer.wait()
        with EventLog(path, many()) as log:
            ids = [one.id for one in log.events()]
        assert ids[: told + 1] == [f"id {number}" for number in range(told + 1)]
        assert len(set(ids)) == len(ids) <= told + 2
    assert told > 50
