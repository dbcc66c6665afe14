"""Real and simulated wears side by side: what `accuracy.py --real FOLDER` prints.

Each person is left out once: the interval "learnt" is learnt from the other people's wears and one seed of
the simulator, and judged on that person. Each wear counts once. Width is the median over wears of their
median widths; Winkler's score is width + 20 for each minute outside (lower is better).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from analysis.air.breathing import AirTrack, reconstruct
from analysis.air.forecast import EARLY_END_ONLY_S, OTHER_PRESSURE, SHIPPED, IntervalEnds
from analysis.air.gas import FloatArray
from analysis.air.learning import Forecasts, Lot, forecasts_of_wear, joined, learn_ends
from analysis.live.outlook import EMPTY_BAR
from analysis.policies import half_of_usable_bar
from sample_logs.simulation.wear import simulate_wear
from tests.benchmarks import restless_work
from tests.benchmarks.measures import track_of
from tests.benchmarks.population import LOW_AIR_BAR, REPORT_SEED, Recorded
from tests.benchmarks.real_wears import START_BAR, RealWear, real_wears
from tests.judged_forecasts import judge

LOT_WEIGHTS = {
    # early end, late end. Work without rests counts half. Whole sessions pull the late end less than what is
    # nearest to work, because a wearer who outlasts it comes to no harm.
    "simulated": (1.0, 8.0),
    "act": (1.0, 6.0),
    "dives": (1.0, 2.5),
    "own": (1.0, 4.0),
    "p40": (1.0, 0.5),
    "hot": (0.5, 0.5),
}
KINDS = ("act", "own", "p40", "hot", "dives")
HARD_L_MIN = (40.0, 60.0, 87.0)
MEANS_S = (15, 30, 60)
AT_MIN = (5.0, 10.0, 15.0)
PRESSURES = {
    # What is forecast, bar, and from which reading on the live page shows it.
    "turn back": (half_of_usable_bar(START_BAR, LOW_AIR_BAR), START_BAR),
    "low air": (LOW_AIR_BAR, START_BAR),
    "to empty": (EMPTY_BAR, LOW_AIR_BAR),
}


@dataclass(frozen=True)
class Case:
    """A wear, how it was reconstructed, and its forecasts."""

    kind: str
    task: str
    person: str
    track: AirTrack
    rate_l_min: FloatArray | None
    free_air_left_l: FloatArray | None
    forecasts: Forecasts


def real_cases(folder: Path) -> list[Case]:
    people: dict[str, int] = {}
    wears = real_wears(folder)
    return [_real_case(wear, number, people) for number, wear in enumerate(wears) if wear.reached_s]


def _real_case(wear: RealWear, number: int, people: dict[str, int]) -> Case:
    track = reconstruct(
        wear.time_s,
        wear.pressure_bar,
        wear.cylinder,
        low_air_bar=wear.low_air_bar,
        start_temperature_c=wear.surroundings_c,
        surroundings_c=wear.surroundings_c,
    )
    person = people.setdefault(wear.person, len(people))
    rows = _rows(track, wear.reached_s or 0.0, number, person)
    return Case(wear.kind, wear.kind, wear.person, track, wear.rate_l_min, wear.free_air_left_l, rows)


def simulated_cases(wears: Sequence[Recorded], first_number: int) -> list[Case]:
    """Return simulated wears as cases; each is a person of its own."""
    cases = []
    for number, recorded in enumerate(wears, first_number):
        reached_s = recorded.wear.reached_s(LOW_AIR_BAR)
        if reached_s is not None:
            track, truth = track_of(recorded), recorded.wear
            rows = _rows(track, reached_s, number, number)
            person = f"simulated {number}"
            cases.append(
                Case("simulated", recorded.task, person, track, truth.rate_l_min, truth.free_air_left_l, rows)
            )
    return cases


def restless_cases(count: int, first_number: int) -> list[Case]:
    """Return simulated work and rest, and work without rest: levels and spreads of real people."""
    cases = []
    for number in range(first_number, first_number + count):
        task = restless_work.KINDS[number % 2]
        rng = np.random.default_rng((REPORT_SEED, number))
        wear = simulate_wear(rng, rate_l_min=restless_work.restless_rate(rng, task, 7200), until_bar=50.0)
        reached_s = wear.reached_s(LOW_AIR_BAR)
        if reached_s is None:
            continue
        track = reconstruct(wear.reading_time_s, wear.reading_bar, wear.cylinder, start_temperature_c=20.0)
        rows = _rows(track, reached_s, number, number)
        cases.append(
            Case("restless", task, f"restless {number}", track, wear.rate_l_min, wear.free_air_left_l, rows)
        )
    return cases


def _rows(track: AirTrack, reached_s: float, number: int, person: int) -> Forecasts:
    left_l = track.free_air_left_l
    until = min(int(reached_s), left_l.size - 1)
    mean_l_min = 60.0 * (left_l[0] - left_l[until]) / max(until, 1)
    said = (track.low_air_min, track.hardest_l_min, track.easiest_l_min, track.low_air_hardest_min)
    return forecasts_of_wear(*said, reached_s, number, person, float(mean_l_min))


def lots(cases: Sequence[Case]) -> list[Lot]:
    return [
        Lot(joined([case.forecasts for case in cases if case.kind == kind]), *weights)
        for kind, weights in LOT_WEIGHTS.items()
        if any(case.kind == kind for case in cases)
    ]


def left_out(real: list[Case], learnt_from: list[Case]) -> list[tuple[Case, FloatArray, FloatArray]]:
    """Return each real case with the ends that other people's wears teach, minutes."""
    found = []
    divers = sorted({case.person for case in real if case.kind == "dives"})
    breathers = sorted({case.person for case in real if case.kind != "dives"})
    for place, person in enumerate(breathers):
        out = {person, *divers[place :: len(breathers)]}
        ends = learn_ends(lots([case for case in real if case.person not in out] + learnt_from), "left out")
        found += [(case, *ends_of(case, ends)) for case in real if case.person in out]
    return found


def ends_of(case: Case, ends: IntervalEnds) -> tuple[FloatArray, FloatArray]:
    return ends.around(case.forecasts.said_min, case.forecasts.terms(ends))


def shares(judged: Sequence[tuple[Case, FloatArray, FloatArray]]) -> str:
    rows = []
    for case, early_min, late_min in judged:
        happened = case.forecasts.happened_min
        if happened.size:
            outside = np.maximum(early_min - happened, 0.0) + np.maximum(happened - late_min, 0.0)
            width = late_min - early_min
            row = (happened < early_min, happened > late_min, width + 20.0 * outside)
            rows.append([*(part.mean() for part in row), np.median(width)])
    if not rows:
        return f"{'':29}"
    early, late, winkler, _ = np.mean(rows, axis=0)
    width = np.median(np.array(rows)[:, 3])
    return f"{100 * (1 - early - late):6.1f}{100 * early:6.1f}{100 * late:6.1f}{width:6.1f}{winkler:5.1f}"


def errors(cases: Sequence[Case]) -> str:
    """Return air used, rate after the fact against 30 s means, its band, minutes."""
    air, square, inside = [], [], []
    for case in cases:
        if case.rate_l_min is None or case.free_air_left_l is None:
            continue
        track, size = case.track, case.track.rate_l_min.size
        left_l = case.free_air_left_l[:size]
        air.append(track.free_air_l / (left_l[0] - left_l[-1]) - 1.0)
        row = []
        for length_s in MEANS_S:
            mean = np.convolve(case.rate_l_min[:size], np.full(length_s, 1.0 / length_s), mode="same")
            part = slice(length_s, size - length_s)
            row.append(np.mean((track.rate_lo_l_min <= mean)[part] & (mean <= track.rate_hi_l_min)[part]))
            if length_s == 30:
                square.append(np.mean((track.rate_l_min - mean)[part] ** 2))
        inside.append(row)
    text = f"{'':31}"
    if air:
        bands = "/".join(f"{100 * share:.0f}" for share in np.mean(inside, axis=0))
        used = f"{100 * np.mean(np.abs(air)):5.2f} ({100 * np.mean(air):+.2f})"
        text = f"{used}{np.sqrt(np.mean(square)):7.2f}{bands:>10}"
    minutes = []
    for at_min in AT_MIN:
        off = []
        for case in cases:
            distance = np.abs(case.forecasts.happened_min - at_min)
            if distance.size and distance.min() < 0.25:
                place = int(distance.argmin())
                off.append(abs(case.forecasts.said_min[place] - at_min))
        minutes.append(f"{np.mean(off):.1f}" if off else "-")
    return text + f"{'/'.join(minutes):>14}"


Judged = tuple[Case, FloatArray, FloatArray]


def side_by_side(real: list[Case], fitted: list[Case], reported: list[Case]) -> list[Judged]:
    """Print the table, each person left out of the fit; return the forecasts with those ends."""
    unseen = left_out(real, fitted)
    ends = learn_ends(lots(real + fitted), "all")
    unseen_sim = [(case, *ends_of(case, ends)) for case in reported]
    shipped = [(case, *ends_of(case, SHIPPED)) for case in [*real, *reported]]
    print("\nReal people and simulated wears side by side")
    print(
        "air used %: mean absolute error (bias); rate: RMSE against 30 s means; band holds 15/30/60 s means;"
    )
    print("minutes: mean absolute error when 5/10/15 truly remain; interval: held, early, late %, width min,")
    print("Winkler. 'learnt': the person left out of what the ends were learnt from; 'shipped': as it ships.")
    head = f"{'held':>6}{'early':>6}{'late':>6}{'width':>6}{'W':>5}"
    print(
        f"{'':24}wears{'air used %':>14}{'rate':>7}{'band':>10}{'minutes':>14} | learnt{head} | shipped{head}"
    )
    groups: list[tuple[str, Callable[[Case], bool]]] = []
    for kind in (*KINDS, "simulated", "restless"):
        groups.append((kind, lambda case, kind=kind: case.kind == kind))
        for low, high in zip((0.0, *HARD_L_MIN), (*HARD_L_MIN, np.inf), strict=True):
            name = f"  {kind}, {low:.0f} to {high:.0f} L/min"
            groups.append(
                (
                    name,
                    lambda case, kind=kind, low=low, high=high: (
                        case.kind == kind and low <= mean_rate_l_min(case) < high
                    ),
                )
            )
    for task in dict.fromkeys(case.task for case in reported):
        groups.append((f"  {task}", lambda case, task=task: case.task == task))
    for name, belongs in groups:
        cases = [case for case in [*real, *reported] if belongs(case)]
        if cases:
            learnt = shares([part for part in [*unseen, *unseen_sim] if belongs(part[0])])
            as_shipped = shares([part for part in shipped if belongs(part[0])])
            print(f"{name:24}{len(cases):>5}{errors(cases)} |      {learnt} |       {as_shipped}")
    _by_minutes(shipped)
    print("\nLearnt from all of these people, cylinders and fitted simulated wears (what ships)")
    for name, weights in (("early", ends.early), ("late", ends.late)):
        print(f"{name} = ({', '.join(f'{weight:.3f}' for weight in weights)})")
    return [*unseen, *unseen_sim]


def mean_rate_l_min(case: Case) -> float:
    return float(case.forecasts.wear_l_min[0]) if case.forecasts.wear_l_min.size else 0.0


def _by_minutes(judged: Sequence[tuple[Case, FloatArray, FloatArray]]) -> None:
    edges = (0.0, 3.0, 7.0, 12.0, 18.0, 30.0, 60.0)
    for title, by_said in (("said", True), ("really left", False)):
        print(f"\nTruth before the early end, %, by minutes {title} (shipped)")
        print(f"{'':12}" + "".join(f"{low:.0f} to {high:.0f}".rjust(10) for low, high in _pairs(edges)))
        for kind in (*KINDS, "simulated"):
            row = []
            for low, high in _pairs(edges):
                parts = []
                for case, early_min, _ in judged:
                    happened = case.forecasts.happened_min
                    by = case.forecasts.said_min if by_said else happened
                    chosen = (by >= low) & (by < high)
                    if case.kind == kind and chosen.any():
                        parts.append(np.mean((happened < early_min)[chosen]))
                row.append(f"{100 * np.mean(parts):.1f}" if parts else "-")
            print(f"{kind:12}" + "".join(text.rjust(10) for text in row))


def _pairs(edges: tuple[float, ...]) -> list[tuple[float, float]]:
    return list(pairwise(edges))


def every_pressure(folder: Path) -> None:
    """Print how the live page's forecasts of each pressure held on real breathing (shipped constants)."""
    print("\nForecasts of every pressure that the live page shows, from the fourth minute: early with the")
    print("end learnt for the warning, and as shown; all else as shown. 'Young': early in minutes 1 to 3.")
    print(f"{'':20}wears  held  learnt  shown  late  width  over 10 % early  young")
    wears = real_wears(folder, dives=False, until_bar=EMPTY_BAR - 1.0)
    for kind in dict.fromkeys(wear.kind for wear in wears):
        for name in PRESSURES:
            rows = [
                row for wear in wears if wear.kind == kind and (row := _of_pressure(wear, name)) is not None
            ]
            learnt, shown, late, width, young = np.array(rows).T
            known = young[np.isfinite(young)]
            print(
                f"{kind:6}{name:14}{len(rows):>5}{100 * np.mean(1 - shown - late):>6.1f}"
                f"{100 * np.mean(learnt):>8.1f}{100 * np.mean(shown):>7.1f}{100 * np.mean(late):>6.1f}"
                f"{np.median(width):>7.1f}{np.count_nonzero(shown > 0.1):>17}"
                + (f"{100 * known.mean():>7.1f}" if known.size else f"{'-':>7}")
            )


def _of_pressure(wear: RealWear, name: str) -> list[float] | None:
    target_bar, below_bar = PRESSURES[name]
    track = reconstruct(
        wear.time_s,
        wear.pressure_bar,
        wear.cylinder,
        low_air_bar=target_bar,
        start_temperature_c=wear.surroundings_c,
        surroundings_c=wear.surroundings_c,
    )
    since_s, reached_s = (float(wear.time_s[wear.pressure_bar <= bar][0]) for bar in (below_bar, target_bar))
    said = (track.low_air_min, track.low_air_lo_min, track.low_air_hi_min)
    judged = judge(*said, reached_s, from_s=max(since_s, 60.0), every_s=15)
    young = judged.elapsed_s < EARLY_END_ONLY_S
    if young.all():
        return None
    ratio = judged.early_min / judged.said_min
    shown_min = judged.said_min * ratio ** (1.0 if name == "low air" else OTHER_PRESSURE)
    learnt, shown = (judged.happened_min < end_min for end_min in (judged.early_min, shown_min))
    return [
        float(learnt[~young].mean()),
        float(shown[~young].mean()),
        float((judged.happened_min > judged.late_min)[~young].mean()),
        float(np.median((judged.late_min - shown_min)[~young])),
        float(learnt[young].mean()) if young.any() else np.nan,
    ]
