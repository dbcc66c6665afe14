"""Who is in with which set by the desk's words alone, at both sides of each limit. Our own rules.

A word is said at so many hours; `+` is a microsecond later, `-` one earlier. A tally claims its set.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from analysis.wears.tally import TallyBook, read_tallies

HOUR_US = 3600 * 1_000_000
START_US = 1_000 * HOUR_US


def us(text: str) -> int:
    return START_US + round(float(text.strip("+-")) * HOUR_US) + text.count("+") - text.count("-")


def hours(at_us: int | None) -> str:
    if at_us is None:
        return "never"
    whole = round((at_us - START_US) / HOUR_US, 2)
    beside_us = at_us - START_US - round(whole * HOUR_US)
    return f"{whole:g}{'+' * beside_us}{'-' * -beside_us}"


def read(*said: str) -> TallyBook:
    """Read `hours action [wearer set] [incident] [*number of the word that it corrects]`."""
    channels: dict[str, Any] = {
        kind: SimpleNamespace(rows=[], retained=[], time_us=[], at_us=[], received_us=[], seq=[])
        for kind in ("tally", "incident", "resolved")
    }
    for number, line in enumerate(said):
        words = line.split()
        at_us, action = us(words[0]), words[1]
        named = {word.partition("-")[0]: word for word in words[2:]}
        corrects = next((int(word[1:]) for word in words if word.startswith("*")), None)
        row: dict[str, Any] = {"incident_id": named.get("I", "I-1"), "action": action, "text": ""}
        row |= {"set_id": named.get("S"), "wearer_id": named.get("W"), "team": named.get("T"), "task": None}
        row |= {"alarm": named.get("A")}
        row["corrects"] = None if corrects is None else {"desk_id": "D-1", "boot": 1, "seq": corrects}
        kind = {"open": "incident", "close": "incident", "resolved": "resolved"}.get(action, "tally")
        channel = channels[kind]
        channel.rows.append(row)
        channel.retained.append(False)
        channel.seq.append(number)
        for moments in (channel.time_us, channel.at_us, channel.received_us):
            moments.append(at_us)
    desk: Any = SimpleNamespace(
        role="desk", name="D-1", channels=channels, identity=lambda seq: f"D-1/1/{seq}"
    )
    return read_tallies([desk])


def told(book: TallyBook) -> list[str]:
    """Give what a book says: entries, then claims, then what is odd."""

    def number(identity: str | None) -> str:
        return "-" if identity is None else identity.rpartition("/")[2]

    lines = []
    for stay in book.stays:
        line = f"{stay.incident_id} {stay.wearer_id}/{stay.number} {hours(stay.in_us)} {stay.ended_how}"
        line += f" {hours(stay.ended_us)} by {number(stay.ended_by)}" if stay.ended_us is not None else ""
        line += f" closed {hours(stay.closed_us)} by {number(stay.closed_by)}" if stay.closed_us else ""
        line += " followed" * stay.followed + f" use {stay.use}" * (stay.use > 0)
        elsewhere = ", ".join(f"{one.incident_id}/{one.number}" for one in stay.elsewhere)
        lines.append(line + f" also in {elsewhere}" * bool(elsewhere))
    for tally in book.tallies:
        spans = ", ".join(f"{hours(first)} to {hours(last)}" for first, last in tally.spans)
        line = f"{tally.set_id} {tally.wearer_id}{f' of {tally.team}' * bool(tally.team)} claims {spans}"
        line += f" out {hours(tally.out_us)} by {number(tally.out_identity)}" if tally.out_us else ""
        line += " closed" * tally.closed + " replaced" * tally.replaced
        lines.append(line + f" settled {hours(tally.settled_us)}" * (tally.settled_us is not None))
    lines += [
        f"{one.first.set_id} shared by {one.first.wearer_id}, {one.second.wearer_id} {hours(one.from_us)}"
        for one in book.shared
    ]
    for word in book.unmatched:
        lines.append(f"unmatched {word.said}" + " again" * word.repeats)
    lines += [f"began {name} {hours(at_us)}" for name, at_us in book.began_us.items()]
    return lines + [f"{number(new.identity)} for {number(old.identity)}" for old, new in book.corrected]


SCENES = """
in and out: 0 in W-1 S-1; 1 out W-1 S-1
    I-1 W-1/1 0 tallied_out 1 by 1
    S-1 W-1 claims 0 to 1 out 1 by 1
a tally that nobody closed claims its set for twelve hours: 0 in W-1 S-1
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 12
an out after twelve hours still ends the entry: 0 in W-1 S-1; 12+ out W-1 S-1
    I-1 W-1/1 0 tallied_out 12+ by 1
    S-1 W-1 claims 0 to 12 out 12+ by 1
another set: 0 in W-1 S-1; 1 in W-1 S-2; 2 out W-1 S-2
    I-1 W-1/1 0 tallied_out 2 by 2
    S-1 W-1 claims 0 to 1 replaced
    S-2 W-1 claims 1 to 2 out 2 by 2
the same set again: 0 in W-1 S-1 T-1; 1 in W-1 S-1 T-2; 2 out W-1 S-1
    I-1 W-1/1 0 tallied_out 2 by 2
    S-1 W-1 of T-1 claims 0 to 1 replaced
    S-1 W-1 of T-2 claims 1 to 2 out 2 by 2
back on the first set: 0 in W-1 S-1; 1 in W-1 S-2; 2 in W-1 S-1
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 1 replaced settled 2
    S-1 W-1 claims 2 to 14
    S-2 W-1 claims 1 to 2 replaced
the set of another: 0 in W-1 S-1; 1 in W-2 S-1; 2 out W-2 S-1; 3 out W-1 S-1
    I-1 W-1/1 0 tallied_out 3 by 3
    I-1 W-2/1 1 tallied_out 2 by 2
    S-1 W-1 claims 0 to 1, 2 to 3 out 3 by 3
    S-1 W-2 claims 1 to 2 out 2 by 2
    S-1 shared by W-1, W-2 1
the set of another who moves on: 0 in W-1 S-1; 1 in W-2 S-1; 2 in W-2 S-2
    I-1 W-1/1 0 open
    I-1 W-2/1 1 open
    S-1 W-1 claims 0 to 1, 2 to 12
    S-1 W-2 claims 1 to 2 replaced settled 2
    S-2 W-2 claims 2 to 14
    S-1 shared by W-1, W-2 1
the set of another who is resolved: 0 in W-1 S-1; 1 in W-2 S-1; 2 resolved W-2 S-1; 3 out W-1 S-1
    I-1 W-1/1 0 tallied_out 3 by 3
    I-1 W-2/1 1 resolved 2 by 2
    S-1 W-1 claims 0 to 1 out 3 by 3
    S-1 W-2 claims 1 to 2
    S-1 shared by W-1, W-2 1
the first of two is out: 0 in W-1 S-1; 1 in W-2 S-1; 2 out W-1 S-1
    I-1 W-1/1 0 tallied_out 2 by 2
    I-1 W-2/1 1 open
    S-1 W-1 claims 0 to 1 out 2 by 2
    S-1 W-2 claims 1 to 13
    S-1 shared by W-1, W-2 1
three with one set: 0 in W-1 S-1; 1 in W-2 S-1; 2 in W-3 S-1; 3 in W-2 S-2; 4 out W-3 S-1
    I-1 W-1/1 0 open
    I-1 W-2/1 1 open
    I-1 W-3/1 2 tallied_out 4 by 4
    S-1 W-1 claims 0 to 1, 4 to 12
    S-1 W-2 claims 1 to 2 replaced settled 3
    S-1 W-3 claims 2 to 4 out 4 by 4
    S-2 W-2 claims 3 to 15
    S-1 shared by W-1, W-2 1
    S-1 shared by W-2, W-3 2
a set claimed twelve hours ago is not shared: 0 in W-1 S-1; 12 in W-2 S-1; 12 in W-3 S-2; 24- in W-4 S-2
    I-1 W-1/1 0 open
    I-1 W-2/1 12 open
    I-1 W-3/1 12 open
    I-1 W-4/1 24- open
    S-1 W-1 claims 0 to 12
    S-1 W-2 claims 12 to 24
    S-2 W-3 claims 12 to 24-
    S-2 W-4 claims 24- to 36-
    S-2 shared by W-3, W-4 24-
resolved names nobody of two: 0 in W-1 S-1; 1 in W-2 S-1; 2 resolved S-1
    I-1 W-1/1 0 open
    I-1 W-2/1 1 open
    S-1 W-1 claims 0 to 1
    S-1 W-2 claims 1 to 13
    S-1 shared by W-1, W-2 1
resolved of one: 0 in W-1 S-1; 1 resolved S-1; 2 out W-1 S-1
    I-1 W-1/1 0 resolved 1 by 1
    S-1 W-1 claims 0 to 1
    unmatched W-1 out with set S-1 again
resolved of another incident: 0 in W-1 S-1; 1 resolved S-1 I-2
    I-1 W-1/1 0 resolved 1 by 1
    S-1 W-1 claims 0 to 1
resolved of its own incident first: 0 in W-1 S-1 I-1; 1 in W-2 S-1 I-2; 2 resolved S-1 I-2
    I-1 W-1/1 0 open
    I-2 W-2/1 1 resolved 2 by 2
    S-1 W-1 claims 0 to 1
    S-1 W-2 claims 1 to 2
    S-1 shared by W-1, W-2 1
resolved about another wearer: 0 in W-1 S-1; 1 resolved W-2 S-1
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 12
resolved settles a set that was left: 0 in W-1 S-1; 1 in W-1 S-2; 2 resolved S-1; 3 resolved S-1
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 1 replaced settled 2
    S-2 W-1 claims 1 to 13
an alarm that is resolved ends nothing: 0 in W-1 S-1; 1 resolved S-1 A-1
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 12
a tally of another settles a set that was left: 0 in W-1 S-1; 1 in W-1 S-2; 2 in W-2 S-1
    I-1 W-1/1 0 open
    I-1 W-2/1 2 open
    S-1 W-1 claims 0 to 1 replaced settled 2
    S-1 W-2 claims 2 to 14
    S-2 W-1 claims 1 to 13
closed: 0 open; 0 in W-1 S-1; 1 close
    I-1 W-1/1 0 incident_closed 1 by 2 closed 1 by 2
    S-1 W-1 claims 0 to 1 closed
closed, and out within twelve hours: 0 open; 0 in W-1 S-1; 1 close; 13 out W-1 S-1
    I-1 W-1/1 0 tallied_out 13 by 3 closed 1 by 2
    S-1 W-1 claims 0 to 12 out 13 by 3
closed, and out later: 0 open; 0 in W-1 S-1; 1 close; 13+ out W-1 S-1
    I-1 W-1/1 0 incident_closed 1 by 2 closed 1 by 2
    S-1 W-1 claims 0 to 1 closed
    unmatched W-1 out with set S-1 again
closed twice: 0 open; 0 in W-1 S-1; 1 close; 2 close
    I-1 W-1/1 0 incident_closed 1 by 2 closed 1 by 2
    S-1 W-1 claims 0 to 1 closed
closed and opened again: 0 open; 0 in W-1 S-1; 1 close; 2 open
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 12
in at the moment of the close: 0 open; 1 in W-1 S-1; 1 close; 2 close
    I-1 W-1/1 1 incident_closed 2 by 3 closed 2 by 3
    S-1 W-1 claims 1 to 2 closed
closed, and in again: 0 open; 0 in W-1 S-1; 1 close; 2 in W-1 S-1; 3 out W-1 S-1
    I-1 W-1/1 0 incident_closed 1 by 2 closed 1 by 2
    I-1 W-1/2 2 tallied_out 3 by 4
    S-1 W-1 claims 0 to 1 closed
    S-1 W-1 claims 2 to 3 out 3 by 4
closed, and the set goes to another: 0 open; 0 in W-1 S-1; 1 close; 2 in W-2 S-1
    I-1 W-1/1 0 incident_closed 1 by 2 closed 1 by 2
    I-1 W-2/1 2 open
    S-1 W-1 claims 0 to 1 closed
    S-1 W-2 claims 2 to 14
closed, opened again as another use after six hours: 0 open; 0 in W-1 S-1; 1 close; 7 open; 7.5 in W-1 S-1
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 7.5 replaced
    S-1 W-1 claims 7.5 to 19.5
closed, opened later than six hours: 0 open; 0 in W-1 S-1; 1 close; 7+ open; 7.5 in W-1 S-1
    I-1 W-1/1 0 open followed
    I-1 W-1/2 7.5 open use 1
    S-1 W-1 claims 0 to 7.5
    S-1 W-1 claims 7.5 to 19.5
closed, opened later than twelve hours: 0 open; 0 in W-1 S-1; 1 close; 13 open
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 12
closed, opened one microsecond later than twelve hours: 0 open; 0 in W-1 S-1; 1 close; 13+ open
    I-1 W-1/1 0 incident_closed 1 by 2 closed 1 by 2
    S-1 W-1 claims 0 to 1 closed
opened twice, closed once, opened again: 0 open; 0 open; 0 in W-1 S-1; 1 close; 8 open; 9 in W-1 S-1
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 9 replaced
    S-1 W-1 claims 9 to 21
in again after a day: 0 in W-1 S-1; 24 in W-1 S-1
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 12 replaced
    S-1 W-1 claims 24 to 36
in again after more than a day: 0 in W-1 S-1; 24+ in W-1 S-2
    I-1 W-1/1 0 open followed
    I-1 W-1/2 24+ open use 1
    S-1 W-1 claims 0 to 12
    S-2 W-1 claims 24+ to 36+
    began I-1 24+
a word between: 0 in W-1 S-1; 1 out W-2 S-9; 25 in W-1 S-1; 25+ in W-1 S-1; 50 in W-3 S-1
    I-1 W-1/1 0 open
    I-1 W-3/1 50 open use 1
    S-1 W-1 claims 0 to 12 replaced settled 50
    S-1 W-1 claims 25 to 25+ replaced settled 50
    S-1 W-1 claims 25+ to 37+
    S-1 W-3 claims 50 to 62
    unmatched W-2 out with set S-9
    began I-1 50
in two incidents: 0 in W-1 S-1 I-1; 12- in W-1 S-2 I-2
    I-1 W-1/1 0 open also in I-2/1
    I-2 W-1/1 12- open also in I-1/1
    S-1 W-1 claims 0 to 12
    S-2 W-1 claims 12- to 24-
in two incidents after twelve hours: 0 in W-1 S-1 I-1; 12 in W-1 S-2 I-2
    I-1 W-1/1 0 open
    I-2 W-1/1 12 open
    S-1 W-1 claims 0 to 12
    S-2 W-1 claims 12 to 24
in two incidents after an out: 0 in W-1 S-1 I-1; 1 out W-1 S-1 I-1; 2 in W-1 S-2 I-2
    I-1 W-1/1 0 tallied_out 1 by 1
    I-2 W-1/1 2 open
    S-1 W-1 claims 0 to 1 out 1 by 1
    S-2 W-1 claims 2 to 14
in two incidents of which one was closed: 0 open I-1; 0 in W-1 S-1 I-1; 1 close I-1; 2 in W-1 S-2 I-2
    I-1 W-1/1 0 incident_closed 1 by 2 closed 1 by 2 also in I-2/1
    I-2 W-1/1 2 open also in I-1/1
    S-1 W-1 claims 0 to 1 closed
    S-2 W-1 claims 2 to 14
in two incidents, out of the one: 0 in W-1 S-1 I-1; 1 in W-1 S-2 I-2; 2 out W-1 S-1 I-1
    I-1 W-1/1 0 tallied_out 2 by 2 also in I-2/1
    I-2 W-1/1 1 open also in I-1/1
    S-1 W-1 claims 0 to 2 out 2 by 2
    S-2 W-1 claims 1 to 13
in two incidents with one set: 0 in W-1 S-1 I-1; 1 in W-1 S-1 I-2
    I-1 W-1/1 0 open also in I-2/1
    I-2 W-1/1 1 open also in I-1/1
    S-1 W-1 claims 0 to 1
    S-1 W-1 claims 1 to 13
an out that names another incident: 0 in W-1 S-1 I-1; 1 out W-1 S-1 I-2
    I-1 W-1/1 0 tallied_out 1 by 1
    S-1 W-1 claims 0 to 1 out 1 by 1
an out of nobody: 0 out W-1 S-1; 1 in W-1 S-1; 2 out W-1 S-1; 3 out W-1 S-1; 4 out W-1 S-2; 5 out W-2 S-1
    I-1 W-1/1 1 tallied_out 2 by 2
    S-1 W-1 claims 1 to 2 out 2 by 2
    unmatched W-1 out with set S-1
    unmatched W-1 out with set S-1 again
    unmatched W-1 out with set S-2
    unmatched W-2 out with set S-1
an in that was corrected: 0 in W-1 S-1; 1 in W-2 S-1 *0
    I-1 W-2/1 0 open
    S-1 W-2 claims 0 to 12
    1 for 0
an out by a name that was corrected: 0 in W-1 S-1; 1 in W-2 S-1 *0; 2 out W-1 S-1; 3 out W-1 S-1
    I-1 W-2/1 0 tallied_out 2 by 2
    S-1 W-2 claims 0 to 2 out 2 by 2
    unmatched W-1 out with set S-1 again
    1 for 0
out by a name corrected twice: 0 in W-1 S-1; 1 out W-1 S-1; 2 in W-3 S-1 *0; 3 in W-2 S-1 *2
    I-1 W-2/1 0 tallied_out 1 by 1
    S-1 W-2 claims 0 to 1 out 1 by 1
    2 for 0
    3 for 2
corrected, and in with another set: 0 in W-1 S-1; 1 in W-2 S-1 *0; 1 in W-1 S-2; 2 out W-1 S-1
    I-1 W-1/1 1 open
    I-1 W-2/1 0 tallied_out 2 by 3
    S-1 W-2 claims 0 to 2 out 2 by 3
    S-2 W-1 claims 1 to 13
    1 for 0
corrected, and in with that set: 0 in W-1 S-1; 1 in W-2 S-1 *0; 2 in W-1 S-1; 3 out W-1 S-1
    I-1 W-1/1 2 tallied_out 3 by 3
    I-1 W-2/1 0 open
    S-1 W-2 claims 0 to 2, 3 to 12
    S-1 W-1 claims 2 to 3 out 3 by 3
    S-1 shared by W-2, W-1 2
    1 for 0
an out in whose place an in is names nobody: 0 out W-1 S-1; 1 in W-2 S-1 *0; 2 out W-1 S-1
    I-1 W-2/1 0 open
    S-1 W-2 claims 0 to 12
    unmatched W-1 out with set S-1
    1 for 0
name and set corrected: 0 in W-1 S-1; 1 in W-2 S-2 *0; 2 out W-1 S-1
    I-1 W-2/1 0 open
    S-2 W-2 claims 0 to 12
    unmatched W-1 out with set S-1
    1 for 0
corrected, and moved on: 0 in W-1 S-1; 1 in W-2 S-1 *0; 2 in W-2 S-2; 3 out W-1 S-1
    I-1 W-2/1 0 open
    S-1 W-2 claims 0 to 2 replaced
    S-2 W-2 claims 2 to 14
    unmatched W-1 out with set S-1
    1 for 0
corrected, and long closed: 0 open; 0 in W-1 S-1; 1 in W-2 S-1 *1; 2 close; 15 out W-1 S-1
    I-1 W-2/1 0 incident_closed 2 by 3 closed 2 by 3
    S-1 W-2 claims 0 to 2 closed
    unmatched W-1 out with set S-1 again
    2 for 1
an out that was corrected: 0 in W-1 S-1; 1 out W-1 S-1; 2 in W-1 S-1 *1
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 1 replaced
    S-1 W-1 claims 1 to 13
    2 for 1
two corrections: 0 in W-1 S-1; 0.5 in W-2 S-2; 1 in W-3 S-1 *0; 1 in W-4 S-2 *1; 2 in W-5 S-1 *2
    I-1 W-4/1 0.5 open
    I-1 W-5/1 0 open
    S-1 W-5 claims 0 to 12
    S-2 W-4 claims 0.5 to 12.5
    2 for 0
    3 for 1
    4 for 2
at one moment an out comes first: 0 in W-1 S-1; 1 resolved W-1 S-1; 1 out W-1 S-1
    I-1 W-1/1 0 tallied_out 1 by 2
    S-1 W-1 claims 0 to 1 out 1 by 2
at one moment a settlement comes before a close: 0 open; 0 in W-1 S-1; 1 close; 1 resolved W-1 S-1
    I-1 W-1/1 0 resolved 1 by 3
    S-1 W-1 claims 0 to 1
closed, and another in again: 0 open; 0 in W-1 S-1; 0 in W-2 S-2; 1 close; 2 in W-1 S-1; 3 out W-2 S-2
    I-1 W-1/1 0 incident_closed 1 by 3 closed 1 by 3
    I-1 W-1/2 2 open
    I-1 W-2/1 0 tallied_out 3 by 5 closed 1 by 3
    S-1 W-1 claims 0 to 1 closed
    S-1 W-1 claims 2 to 14
    S-2 W-2 claims 0 to 3 out 3 by 5
in again after a day with the set of another: 0 in W-1 S-1; 1 in W-2 S-1; 26 in W-2 S-2
    I-1 W-1/1 0 open
    I-1 W-2/1 1 open followed
    I-1 W-2/2 26 open use 1
    S-1 W-1 claims 0 to 1
    S-1 W-2 claims 1 to 13
    S-2 W-2 claims 26 to 38
    S-1 shared by W-1, W-2 1
    began I-1 26
closed once of two opens: 0 open; 0 open; 0 in W-1 S-1; 1 close; 13+ open
    I-1 W-1/1 0 open
    S-1 W-1 claims 0 to 12
"""


def scenes() -> dict[str, list[str]]:
    """Give each scene, `name: words`, with what is told of it."""
    found: dict[str, list[str]] = {}
    for line in SCENES.strip().splitlines():
        if line.startswith(" "):
            found[list(found)[-1]].append(line.strip())
        else:
            found[line] = []
    return found


@pytest.mark.parametrize("scene", scenes())
def test_who_is_in_and_with_which_set(scene: str) -> None:
    assert told(read(*scene.partition(": ")[2].split("; "))) == scenes()[scene]


def test_a_book_of_some_incidents_has_what_is_about_them() -> None:
    book = read(
        *(
            "0 in W-1 S-1 I-1",
            "1 in W-2 S-1 I-2",
            "2 out W-9 S-9 I-2",
            "3 in W-3 S-3 I-3",
            "4 in W-4 S-3 I-3 *3",
        ),
        "40 in W-5 S-5 I-3",
    )
    assert told(book.within({"I-1"})) == [
        "I-1 W-1/1 0 open", "S-1 W-1 claims 0 to 1", "S-1 shared by W-1, W-2 1"
    ]  # fmt: skip
    two = book.within({"I-2"})
    assert ([one.identity for one in two.words], two.began_us, two.corrected) == (
        ["D-1/1/1", "D-1/1/2"],
        {},
        [],
    )
    assert [one.said for one in two.unmatched] == ["W-9 out with set S-9"]
    assert told(book.within({"I-3"}))[-2:] == ["began I-3 40", "4 for 3"]
