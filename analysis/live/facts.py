"""Compute the facts of a row from an entry as of now."""

from collections.abc import Iterator

from msgspec import structs

from analysis.air.breathing_kernels import WINDOW_S
from analysis.findings.finding import lasting
from analysis.live.attention import judge
from analysis.live.desk_words import DeskWords
from analysis.live.follower import WearFollower
from analysis.live.inside import Inside
from analysis.live.outlook import EMPTY_BAR, STEP_BAR, STEP_READINGS, gauge_step_bar, minutes_to_empty
from analysis.live.rows import GaugeRow, Interval, Lost, LostCode, Reason, Row
from analysis.wears.charges import differed
from analysis.wears.gauges import VoiceGauge
from analysis.wears.valve import OPEN_ABOVE_BAR, UNBREATHABLE_L_S

MOST_L_MIN = 60.0 * UNBREATHABLE_L_S  # a higher rate is noise, unless air is being lost


def row_of(inside: Inside, now_s: float, words: DeskWords, alarms: dict[str, float]) -> Row:
    """Return a row, judged.

    - `inside`: the entry and its set as of now.
    - `now_s`: seconds since 1970.
    - `words`: what the desks said.
    - `alarms`: alarms that nobody has closed, with the moment of each.
    """
    entry, live_set, wear, known = inside.entry, inside.live_set, inside.wear, inside.known_wear
    profile, tally = live_set.profile, entry.tally
    tallied_in = inside.tallied_in
    silent_since_at = _silent_since(inside, now_s)
    now_us = round(now_s * 1e6)
    own, spoken = inside.reading(now_us), inside.spoken(now_us)
    risen = inside.risen if spoken is None else None
    by_word = inside.by_word(spoken, now_us) if spoken is not None else None
    reading = own if by_word is None else by_word[:2]
    if risen is not None and (own is None or own[1] > risen.last_bar):
        reading = risen.ended_us, risen.last_bar
    swung = inside.swung(now_us) if spoken is None and risen is None else None
    if swung is not None and reading is not None and swung[1] < reading[1]:
        reading = swung  # the lowest reading of a gauge that swings
    said_us = spoken.at_us if spoken is not None else 0
    # No forecast if the set reads far more than its wearer says, rose without a reason, or is stuck.
    there = wear is not None and silent_since_at is None
    outlook = None
    if known is not None and risen is None:
        outlook = inside.outlook(now_s if there else known.ended_us * 1e-6)  # it also finds what hung
        if spoken is not None or (inside.above_bar and not there):
            outlook = None
    hangs_at = outlook.hangs_at if outlook is not None else None
    apart = spoken is not None and inside.above_bar > 0.0  # also when the set is silent
    doubted = risen is not None or apart or (there and (spoken is not None or hangs_at is not None))
    heard = there and not doubted
    named = heard and inside.cylinder is not None  # litres are known only of a cylinder that was named
    last_us = max(known.ended_us, said_us) if known is not None else said_us
    at_s = now_s if heard or (there and risen is not None) or known is None else last_us * 1e-6
    if risen is not None:
        last_us = risen.ended_us
        outlook = inside.outlook_of(risen, last_us)
    elif known is not None and hangs_at is not None:  # whether it is still heard or not
        last_us = round(hangs_at * 1e6)
        outlook = inside.outlook_of(known, last_us)
    elif not heard and outlook is None:
        last_us = said_us if doubted else last_us
        outlook = inside.outlook(at_s) if not (doubted or inside.above_bar) else None
    turn_back = low_air = to_empty = losing_min = None
    was_low_air = was_turn_back = None
    planned = False
    if known is not None or (spoken is not None and inside.looked_for):  # never heard: voice is all there is
        last_bar = known.last_bar - inside.above_bar if known is not None else 0.0
        last_bar = spoken.pressure_bar if spoken is not None else last_bar
        last_bar = risen.last_bar if risen is not None else last_bar
        last_bar = min(last_bar, swung[1]) if swung is not None else last_bar
        low_air, leave = (outlook.low_air, outlook.leave) if outlook is not None else (None, None)
        if low_air is None:
            low_air, planned_leave = _planned(inside, last_bar, heard=heard)
            leave, planned = leave or planned_leave, low_air is not None
        made_at = outlook.made_at if outlook is not None else last_us * 1e-6
        volume_l = known.cylinder.total_l if known is not None and known.cylinder is not None else None
        fall = inside.recent()  # after the outlook, which finds what of it hung
        step_bar = gauge_step_bar(known.pressure_bar[-STEP_READINGS:]) if known is not None else STEP_BAR
        losing_min = minutes_to_empty(fall, volume_l, profile, step_bar)
        if losing_min is not None:  # the filter may take a reading or two to believe it
            bar, bar_min = fall[-1][1], (fall[-1][1] - EMPTY_BAR) / losing_min
            low_air = _no_later(low_air, (bar - live_set.low_air_bar) / bar_min)
            if inside.moment is not None and inside.moment.leave_bar is not None:
                leave = _no_later(leave, (bar - inside.moment.leave_bar) / bar_min)
        if losing_min is not None:  # the loss goes on until the next reading
            losing_min = max(losing_min - (now_s - fall[-1][0]) / 60.0, 0.0)
        if heard:
            turn_back = inside.ahead(now_s, low_air, leave)
            to_empty = outlook.to_empty if outlook is not None else None
        else:
            was_low_air = _moments(made_at, low_air)
            was_turn_back = _moments(made_at, inside.ahead(made_at, low_air, leave))
            low_air, planned = None, False
            if by_word is not None and by_word[0] > said_us:  # the set fell since: the earlier moment counts
                made_at = by_word[0] * 1e-6
                warned, left = _planned(inside, by_word[1], heard=False)
                was_low_air = _earlier(was_low_air, _moments(made_at, warned))
                was_turn_back = _earlier(
                    was_turn_back, _moments(made_at, inside.ahead(made_at, warned, left))
                )
            present = inside.outlook(at_s) if risen is not None else None
            if present is not None:  # the earlier of two forecasts: from before the rise, and from now
                was_low_air = _earlier(was_low_air, _moments(at_s, present.low_air))
                ahead = inside.ahead(at_s, present.low_air, present.leave)
                was_turn_back = _earlier(was_turn_back, _moments(at_s, ahead))
    last_known_bar = reading[1] if reading is not None else None
    lost = _lost(inside, was_low_air, silent_since_at, last_known_bar, now_s)
    if inside.missed or (tallied_in and lost is None):
        rolls = [words.missing_since(name, entry.wearer_id) for name in (entry.incident_id, *inside.also_in)]
        missing_at = min((at for at in rolls if at is not None), default=None)
        lost = Lost("missing", missing_at) if missing_at is not None else lost
    remarks: list[Reason] = []
    if silent_since_at is not None and live_set.link == "down":
        remarks.append(Reason("link_down"))
    if live_set.heard.sent_bar is not None:
        remarks.append(Reason("sent_unbelieved"))
        if lost is None or lost.code != "readings_refused":
            remarks.append(Reason("readings_refused"))
    other_bar = inside.higher.pressure_bar if inside.higher is not None else None
    if other_bar is not None:
        remarks.append(Reason("voice_higher"))
    elif doubted and own is not None and hangs_at is None:
        other_bar = own[1]
        remarks.append(Reason("set_differs" if risen is None else "risen"))
    if wear is not None and entry.charges and differed(entry.charges, len(entry.charges) - 1):
        remarks.append(Reason("set_differed"))
    if wear is not None and spoken is None and risen is None:
        remarks += _hanging(live_set.follower, now_us)
    if wear is not None and wear.shut_bar >= OPEN_ABOVE_BAR:
        remarks.append(Reason("reads_shut"))
    if swung is not None:
        remarks.append(Reason("swings"))
    remarks += _elsewhere(inside, now_us)
    if inside.doubtful:
        remarks.append(Reason("two_sets", who=", ".join(inside.doubtful)))
    if inside.said_out is not None:
        at_us, how = inside.said_out
        remarks.append(Reason("settled_breathing" if how == "resolved" else "tallied_out", in_seconds(at_us)))
    if inside.same_id:
        remarks.append(Reason("same_id", who=", ".join(inside.same_id)))
    if inside.put_down_us is not None:
        remarks.append(Reason("put_down", in_seconds(inside.put_down_us)))
    if entry.ended_how == "incident_closed":
        remarks.append(Reason("incident_closed", in_seconds(entry.ended_us)))
    charge = inside.charge
    if charge is not None and (wear is not None or not charge.wears) and not charge.opening_heard:
        remarks.append(Reason("beginning_not_heard"))
    if wear is not None and wear.setup_changed:
        remarks.append(Reason("other_setup"))
    if wear is not None and wear.thresholds.impossible:
        remarks.append(Reason("odd_threshold"))
    moment = inside.moment
    due_us = inside.not_due_us or (moment.at_us if moment is not None else None)
    reliefs = [in_seconds(due_us), was_turn_back[0] if was_turn_back else None]
    if turn_back is not None:
        reliefs.append(now_s + 60.0 * turn_back.low)
        ahead = low_air if moment is not None and moment.leave_us is not None else turn_back
        if planned and ahead is not None:  # nobody knows yet how hard the work is
            reliefs.append(now_s + 60.0 * ahead.low * _hard_part(inside))
    relief = min((at for at in reliefs if at is not None), default=None)
    out_at = in_seconds(entry.ended_us) if entry.ended_how in ("tallied_out", "resolved") else None
    row = Row(
        key=inside.key,
        service=live_set.service,
        set_id=live_set.set_id,
        wearer_id=entry.wearer_id,
        team=entry.team,
        task=tally.task if tally else None,
        incident_id=entry.incident_id,
        also_in=inside.also_in,
        tallied_in_at=in_seconds(entry.tallied_in_us) if tallied_in else None,
        tallied_out_at=out_at,
        attention="under_air",
        reasons=tuple(remarks),
        started_at=in_seconds(wear.started_us) if wear else None,
        ended_at=in_seconds(entry.last_heard_us) if wear is None else None,
        pressure_bar=reading[1] if reading else None,
        pressure_at=in_seconds(reading[0]) if reading else None,
        silent_since_at=silent_since_at,
        cylinder_known=inside.cylinder is not None,
        start_bar=entry.charges[entry.in_use].entry_bar if wear and entry.charges else None,
        low_air_bar=live_set.low_air_bar,
        turn_back_bar=moment.leave_bar
        if moment is not None and (wear is not None or spoken is not None)
        else None,
        turn_back_reached_at=in_seconds(moment.at_us) if moment is not None else None,
        turn_back_not_before=in_seconds(inside.not_due_us),
        rate_l_min=outlook.rate_l_min
        if outlook and named and (losing_min is not None or outlook.rate_l_min <= MOST_L_MIN)
        else None,
        low_air=low_air,
        turn_back=turn_back,
        fan=outlook.fan if outlook and heard else (),
        if_hardest=outlook.if_hardest if outlook and named else None,
        low_air_was_expected_at=was_low_air,
        turn_back_was_expected_at=was_turn_back,
        entered_at=in_seconds(inside.entered_us),
        entry_bar=inside.entry_bar,
        lost=lost,
        losing_min=losing_min,
        to_empty=to_empty,
        planned=planned,
        gauge=_gauge(inside.gauges[-1] if inside.gauges else inside.higher),
        other_bar=other_bar,
        sent_bar=live_set.heard.sent_bar,
        sent_low_at=in_seconds(live_set.heard.sent_low_us(live_set.low_air_bar)),
        by_voice=spoken is not None,
        low_by_word_at=in_seconds(by_word[2]) if by_word is not None else None,
        settled=out_at is not None and entry.ended_how == "resolved",
        tally_identity=tally.in_identity if tally is not None and tallied_in else None,
        evacuate_acknowledged_at=in_seconds(live_set.evacuate_acknowledged_us),
        relief_at=relief - 60.0 * profile.entry.relief_ready_min if relief is not None else None,
    )
    return judge(row, alarms, now_s)


def _hanging(follower: WearFollower, now_us: int) -> Iterator[Reason]:
    """Say since when the gauge has not moved; after it moved, for a while, for how long it had not."""
    if follower.may_hang_us is not None:
        yield Reason("stuck", in_seconds(follower.may_hang_us))
    if follower.hung_us is not None and now_us - follower.hung_us[1] < WINDOW_S * 1_000_000:
        from_us, until_us = follower.hung_us
        yield Reason("hung", in_seconds(until_us), lasting((until_us - from_us) * 1e-6))


def _elsewhere(inside: Inside, now_us: int) -> Iterator[Reason]:
    """Say at which other incidents its wearer was tallied in: earlier and never out, or later."""
    for other in inside.elsewhere:
        later = inside.entry.tally is not None and other.tallies[-1].in_us > inside.entry.tally.in_us
        if other.is_in(now_us):
            code, at_us = "in_since" if later else "in_before", other.in_us
            yield Reason(code, in_seconds(at_us), other.incident_id)
        elif later and other.ended_how != "incident_closed":
            yield Reason("out_elsewhere", in_seconds(other.ended_us), other.incident_id)


def in_seconds(at_us: int | None) -> float | None:
    """Return microseconds as seconds; None for None."""
    return None if at_us is None else at_us * 1e-6


def _silent_since(inside: Inside, now_s: float) -> float | None:
    """Return since when a wearer under air has not been heard; None while readings come."""
    reading_us = inside.live_set.heard.reading_us
    if inside.wear is None or reading_us is None:
        return None
    quiet = now_s * 1e6 - reading_us > inside.live_set.heard.silent_after_us
    return reading_us * 1e-6 if quiet else None


def _gauge(said: VoiceGauge | None) -> GaugeRow | None:
    if said is None:
        return None
    return GaugeRow(said.pressure_bar, said.at_us * 1e-6, said.desk_id, said.identity)


def _interval(minutes: float | None, part: float) -> Interval | None:
    return None if minutes is None else Interval(minutes, minutes * part, minutes)


def _no_later(ahead: Interval | None, minutes: float) -> Interval | None:
    """Return a forecast that comes within so many minutes; its late end stays."""
    if ahead is None or minutes <= 0.0:
        return ahead
    return structs.replace(ahead, median=min(ahead.median, minutes), low=min(ahead.low, minutes))


def _planned(inside: Inside, from_bar: float, *, heard: bool) -> tuple[Interval | None, Interval | None]:
    """Return the time to warning and turn-back at the planning rate; unheard, the early end at hard work."""
    moment = inside.moment
    part = 1.0 if heard else _hard_part(inside)
    targets = inside.live_set.low_air_bar, moment.leave_bar if moment is not None else None
    low_air, leave = (inside.planned_min(from_bar, target_bar) for target_bar in targets)
    return _interval(low_air, part), _interval(leave, part)


def _hard_part(inside: Inside) -> float:
    """Return how long air lasts in hard work, as a part of how long it is planned to."""
    profile = inside.live_set.profile
    return min(max(profile.air.planning_l_min, inside.own_l_min[0]) / profile.forecast.hard_l_min, 1.0)


def _moments(from_at: float, ahead: Interval | None) -> tuple[float, float] | None:
    if ahead is None:
        return None
    return from_at + 60.0 * ahead.low, from_at + 60.0 * ahead.high


def _earlier(
    one: tuple[float, float] | None, other: tuple[float, float] | None
) -> tuple[float, float] | None:
    if one is None or other is None:
        return one or other
    return min(one[0], other[0]), min(one[1], other[1])


def _lost(
    inside: Inside,
    was_low_air: tuple[float, float] | None,
    silent_since_at: float | None,
    last_bar: float | None,
    now_s: float,
) -> Lost | None:
    """Return why nothing shows that somebody who is not accounted for, or who breathed on, has air."""
    entry, state, since_at = inside.entry, inside.state, inside.since_us * 1e-6
    given_us, high = inside.known_until_us, inside.live_set.heard.too_high_us is not None
    if inside.given_to is not None and given_us is not None and state in ("expected", "silent", "restarted"):
        return Lost("set_given", given_us * 1e-6, inside.given_to)
    if state == "under_air" or state == "silent":
        if silent_since_at is None:
            return None
        # If the cylinder is not known, nobody knows how long its air lasts.
        ends_at = silent_since_at + inside.live_set.profile.entry.never_heard_s
        if was_low_air is not None:
            ends_at = was_low_air[0] if inside.cylinder is not None else min(was_low_air[0], ends_at)
        # There is no forecast below the warning: somebody who fell silent there has no known air.
        low = last_bar is not None and last_bar <= inside.live_set.low_air_bar
        return Lost("silent", silent_since_at) if ends_at <= now_s or low else None
    if state == "expected":
        tallied_us = entry.tallied_in_us or entry.began_us
        sent_low = inside.live_set.heard.sent_low_us(inside.live_set.low_air_bar) is not None
        if now_s - tallied_us * 1e-6 <= inside.live_set.profile.entry.never_heard_s and not sent_low:
            return None
        reading_us = inside.live_set.heard.reading_us
        heard = reading_us is not None and reading_us >= tallied_us
        code: LostCode = "valve_closed" if heard else "never_heard"
        return Lost("readings_refused" if high else code, tallied_us * 1e-6)
    if state == "valve_closed" and high:
        return Lost("readings_refused", since_at)
    return Lost(state, since_at) if state != "out" else None
