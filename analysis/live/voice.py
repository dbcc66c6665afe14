"""Which gauges by voice count beside the set's readings, and when a set is not believed."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from analysis.live.desk_record import DeskRecord
from analysis.live.rows import SPOKEN, AlarmLine, Row
from analysis.wears.entries import Entry
from analysis.wears.gauges import APART_BAR, UNHEARD_US, VoiceGauge, about_from_us


def believed(gauges: Sequence[VoiceGauge], entry: Entry) -> tuple[list[VoiceGauge], VoiceGauge | None]:
    """Return the gauges that count, and the last one if it is too high to count.

    A cylinder does not fill by itself: a gauge above what was known before is a slip, another set's, or
    another cylinder. The lower figure stays until a person says less or corrects it, or the set agrees. Our
    own rule.
    """
    since_us = 0
    if entry.wears and entry.charges:
        worn = [wear for charge in entry.charges for wear in charge.wears]
        since_us = about_from_us(entry.charges[-1].wears[0], worn)
    kept: list[VoiceGauge] = []
    higher = None
    for gauge in gauges:
        worn = [wear for wear in entry.wears if wear.started_us <= gauge.at_us]
        last = worn[-1] if worn else None
        if gauge.at_us < since_us:
            continue
        read_bar, fresh = math.inf, False
        if last is not None and (last.ended_how == "not heard" or last.ended_us >= gauge.at_us):
            place = int(np.searchsorted(last.at_us, gauge.at_us, side="right")) - 1
            read_bar = float(last.pressure_bar[place])
            fresh = gauge.at_us - int(last.at_us[place]) <= UNHEARD_US
        elif last is not None and kept and last.ended_us > kept[-1].at_us:
            kept = []  # the valve was closed since
        before_bar = min([read_bar, *(one.pressure_bar for one in kept if not fresh)])
        if gauge.pressure_bar > before_bar + APART_BAR:
            higher = gauge
            continue
        agrees = fresh and abs(gauge.pressure_bar - read_bar) <= APART_BAR
        kept, higher = [gauge] if agrees else [*kept, gauge], None
    return kept, higher


def low_air_lines(
    rows: Sequence[Row], shown: Sequence[AlarmLine], desks: Mapping[str, DeskRecord]
) -> list[AlarmLine]:
    """Return a low-air line for a wearer at or below the warning, if the set gives none.

    By the wearer's word, or by readings of the set that are not believed.

    - `shown`: the alarms of the sets.
    - `desks`: by service: what they have seen and resolved since.
    """
    known = {line.row_key for line in shown if line.alarm == "low_air" and line.ended_at is None}
    lines = []
    for row in rows:
        said_at = row.low_by_word_at if row.low_by_word_at is not None else row.sent_low_at
        if said_at is None or row.key in known:
            continue
        desk, alarm = desks[row.service], "low_air"
        about = {"set_id": row.set_id, "alarm": alarm}
        settled = any(
            (one.set_id, one.alarm) == (row.set_id, alarm)
            and one.is_about(row.wearer_id)
            and one.at_us >= said_at * 1e6
            for one in desk.resolved
        )
        if settled:
            continue
        seen = desk.seen_since(about, said_at)
        lines.append(
            AlarmLine(
                key=f"{row.key}/{alarm}/{said_at:.0f}",
                service=row.service,
                set_id=row.set_id,
                wearer_id=row.wearer_id,
                team=row.team,
                incident_id=row.incident_id,
                alarm=alarm,
                raised_at=said_at,
                derived=True,
                seen_at=seen[0] if seen is not None else None,
                seen_by=seen[1] if seen is not None else None,
                detail=SPOKEN if row.low_by_word_at is not None else None,
                row_key=row.key,
            )
        )
    return lines
