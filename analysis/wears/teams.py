"""When teams must turn back: with their lowest member, and each member with the team of that moment."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from analysis.policies import POLICIES, PolicyName, TurnBackMoment
from analysis.wears.entries import Entry


def give_team_moments(entries: Sequence[Entry], policy: PolicyName) -> None:
    """Give every entry the moment when its team must turn back."""
    moments = team_moments(entries, policy)
    last_heard = {entry.as_last_heard[1] for entry in entries if entry.as_last_heard is not None}
    read = {one.at_us for entry in entries for one in entry.moments.get(policy, ())}
    for entry in entries:
        reached = [at_us for at_us in moments[entry.entry_id] if at_us is not None]
        entry.team_turn_back_us = min(reached, default=None)
        entry.due_as_last_heard = entry.team_turn_back_us in last_heard - read


def team_moments(entries: Sequence[Entry], policy: PolicyName) -> dict[str, list[int | None]]:
    """Return when a policy turns each entry's team back, cylinder by cylinder.

    A team turns back with its lowest member: the earliest moment of its members. A team is the entries of one
    incident with its name. A member's moment counts for another only while that one is in. Whoever was in the
    team then owes it, also in another team; whoever joins later, under air since before it, from then on.
    """
    teams: dict[tuple[str | None, str], list[int]] = {}
    for entry in entries:
        reached = [one.at_us for one in entry.moments.get(policy, ()) if one.at_us is not None]
        if policy == entry.policy and entry.as_last_heard is not None:
            reached.append(entry.as_last_heard[1])
        for team, since_us, until_us in entry.teams:
            if team is not None:
                moments = [max(at_us, since_us) for at_us in reached if at_us < until_us]
                teams.setdefault((entry.incident_id, team), []).extend(moments)
    found: dict[str, list[int | None]] = {}
    for entry in entries:
        together = [
            (at_us, max(at_us, since_us))
            for team, since_us, until_us in entry.teams
            for at_us in teams.get((entry.incident_id, team or ""), ())
            if at_us < until_us
        ]
        found[entry.entry_id] = []
        # Somebody who was never heard has no cylinder, but turns back with the team.
        for number, own in enumerate(entry.moments.get(policy) or [None]):
            first_us, last_us = entry.span_of(number)
            moments = [due_us for at_us, due_us in together if first_us <= at_us and due_us <= last_us]
            moments += [own.at_us] if own is not None and own.at_us is not None else []
            if (
                policy == entry.policy
                and entry.as_last_heard is not None
                and number == len(entry.charges) - 1
            ):
                moments.append(entry.as_last_heard[1])
            found[entry.entry_id].append(min(moments, default=None))
    return found


@dataclass(frozen=True, slots=True)
class Turns:
    """The entry of one wear, and when each policy turns back its cylinder and its team."""

    entry: Entry
    moments: Mapping[PolicyName, TurnBackMoment]
    team_us: Mapping[PolicyName, int | None]


def turns_of(entries: Sequence[Entry]) -> dict[str, Turns]:
    """Return each wear's moments by policy; a moment after its end belongs to another wear."""
    teams = {policy: team_moments(entries, policy) for policy in POLICIES}
    found: dict[str, Turns] = {}
    for entry in entries:
        for number, charge in enumerate(entry.charges):
            for wear in charge.wears:
                moments: dict[PolicyName, TurnBackMoment] = {}
                team_us: dict[PolicyName, int | None] = {}
                for policy in POLICIES:
                    own = entry.moments[policy][number]
                    at_us = teams[policy][entry.entry_id][number]
                    late = own.at_us is not None and own.at_us > wear.ended_us
                    moments[policy] = replace(own, at_us=None, pressure_bar=None) if late else own
                    team_us[policy] = at_us if at_us is not None and at_us <= wear.ended_us else None
                found[wear.wear_id] = Turns(entry, moments, team_us)
    return found
