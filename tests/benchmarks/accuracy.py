"""How accurate air, rate and forecast are: `python -m tests.benchmarks.accuracy [--real FOLDER]`.

Without `--real` everything is simulated. With it, real breathing (`real_wears.py`) and real cylinders are
printed beside simulated wears; nobody there wears fire kit or a mask, and nobody is hot. `--plots` writes
`reliability.html` (said against happened) and `one_wear.html` (truth, band, naive); with `--real` also
`reliability_real.html`, `reliability_tasks.html` (kinds of simulated work) and `reliability_hardness.html`.
The filter's constants were fitted on other wears (`population.FIT_SEED`).
"""

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis.air.breathing import AirTrack, LiveAir, Vessel
from analysis.air.learning import learn_ends
from sample_logs.simulation.tasks import KINDS_OF_WORK, follow
from tests.benchmarks import accuracy_plots, real_accuracy
from tests.benchmarks.measures import (
    SETTLED_S,
    measure_forecasts,
    measure_rates,
    measure_used,
    rms,
    track_of,
)
from tests.benchmarks.other_forecasts import naive_forecasts, naive_rate_l_min, quantiles, with_ends
from tests.benchmarks.population import (
    CYLINDERS,
    FIT_SEED,
    FRESH_SEED,
    REPORT_SEED,
    Recorded,
    population,
    without_temperature,
)

REPORTED = 700
COLUMNS = (("air used %", 18), ("live L/min", 16), ("after L/min", 16), ("min at 5/10/15", 21), ("held", 7))
HEAD = " " * 34 + "".join(f"{name:>{width}}" for name, width in COLUMNS) + "  early"


def line(name: str, wears: list[Recorded], tracks: list[AirTrack]) -> str:
    rates, used = measure_rates(wears, tracks), measure_used(wears, tracks)
    forecasts = measure_forecasts(wears, tracks)
    air = 100.0 * used.error
    live, smooth = np.sqrt(rates.live_square.mean()), np.sqrt(rates.smooth_square.mean())
    live_held, smooth_held = 100.0 * rates.live_inside.mean(), 100.0 * rates.smooth_inside.mean()
    minutes = " / ".join(f"{forecasts.mean_absolute_at(at):.2f}" for at in (5.0, 10.0, 15.0))
    parts = (
        f"{name:27}{len(wears):>4} wears{np.abs(air).mean():>6.2f} ({air.mean():+.2f})",
        f"{live:>9.2f} ({live_held:.0f} %){smooth:>9.2f} ({smooth_held:.0f} %)",
        f"{minutes:>21}{100 * forecasts.held:>6.1f}%{100 * forecasts.early:>6.1f}%",
    )
    return "".join(parts)


def table(
    title: str, wears: list[Recorded], tracks: list[AirTrack], groups: dict[str, Callable[[Recorded], bool]]
) -> None:
    print(f"\n{title}\n{HEAD}")
    for name, belongs in groups.items():
        places = [place for place, recorded in enumerate(wears) if belongs(recorded)]
        print(line(name, [wears[place] for place in places], [tracks[place] for place in places]))


def headline(wears: list[Recorded], tracks: list[AirTrack], fresh: list[Recorded]) -> None:
    print("Air used: mean absolute error (bias), %. Rates: RMSE (share of seconds inside the 90 % band).")
    print("Forecast: mean absolute error, min, when 5, 10, 15 min truly remain; share of truths held by the")
    print("90 % interval; share that came earlier than it.")
    table("All wears", wears, tracks, {"reported on": lambda _: True})
    print(line("fresh, no choice made on it", fresh, [track_of(recorded) for recorded in fresh]))
    for name, bounds in (
        ("to reach", ("< 1.5", "< 8.0 (87-93 %)", "< 5.0 (87-93 %)", "< 1.5 / 2.6 / 3.8", "87-93%", "<=8%")),
        ("aim", ("0.7", "6.5", "3.9", "1.1 / 2.1 / 3.1", "", "6%")),
    ):
        widths = (6, 24, 17, 20, 8, 6)
        print(
            f"{name:36}" + "".join(f"{bound:>{width}}" for bound, width in zip(bounds, widths, strict=True))
        )


def what_each_buys(wears: list[Recorded], tracks: list[AirTrack]) -> None:
    isothermal = Vessel(gas_to_wall_w_k=1e5, wall_to_surroundings_w_k=1e-6, wall_j_k=1e9)
    print(f"\nWhat each part buys (same wears)\n{HEAD}")
    print(line("as it is", wears, tracks))
    print(line("no heat balance", wears, [track_of(w, vessel=isothermal) for w in wears]))
    print(line("no growth of cylinders", wears, [track_of(w, vessel=Vessel(growth=0.0)) for w in wears]))
    unknown = [without_temperature(w) for w in wears]
    print(line("no temperature known", unknown, [track_of(w) for w in unknown]))
    forecasts = measure_forecasts(wears, tracks)
    judged = np.unique(forecasts.wear).astype(int)
    naive_min = np.concatenate([naive_forecasts(wears[wear], forecasts, wear) for wear in judged])
    naive = with_ends(forecasts, [naive_min, naive_min, naive_min])
    rates, first_half, whole, moving = [], [], [], []
    for recorded, track in zip(wears, tracks, strict=True):
        truth = recorded.wear.rate_l_min[: track.rate_l_min.size]
        rates.append(rms((naive_rate_l_min(recorded, truth.size) - truth)[SETTLED_S:]))
        left, bar = recorded.wear.free_air_left_l[: truth.size], recorded.pressure_bar
        volume_l = recorded.wear.cylinder.total_l
        half = int(np.searchsorted(recorded.time_s, truth.size // 2))
        at = int(recorded.time_s[half])
        first_half.append((bar[0] - bar[half]) * volume_l / (left[0] - left[at]) - 1.0)
        whole.append((bar[0] - bar[-1]) * volume_l / (left[0] - left[-1]) - 1.0)
        motion = np.log(np.maximum(recorded.wear.motion_m_s2[: truth.size], 0.05))
        # Breathing follows movement: what moved in the last half minute against the last minute.
        moved = track.live_rate_l_min * np.exp(0.4 * (follow(motion, 25.0) - follow(motion, 60.0)))
        moving.append(rms((moved - truth)[SETTLED_S:]))
    at_minutes = " / ".join(f"{naive.mean_absolute_at(at):.1f}" for at in (5.0, 10.0, 15.0))
    print(f"\nvolume x bar, last minute: live rate {rms(rates):.1f} L/min; minutes {at_minutes};")
    print(f"  air used {100 * np.mean(whole):+.1f} %, first half alone {100 * np.mean(first_half):+.1f} %")
    print(f"movement as a second witness (not used): live rate {rms(moving):.2f} L/min,")
    print("  if wearers moved as the simulated do, which no source supports")

    print(f"\nInterval of the forecast{'held':>18}{'early':>9}{'late':>9}{'mean width, min':>18}")
    scores = (-1.645, 0.0, 1.645)
    variants = {
        "learnt (used)": forecasts,
        "filter's own, Gaussian": with_ends(forecasts, quantiles(wears, forecasts, scores, skewed=False)),
        "filter's own, skewed": with_ends(forecasts, quantiles(wears, forecasts, scores, skewed=True)),
    }
    for name, variant in variants.items():
        width = np.average(variant.late_min - variant.early_min, weights=variant.weight)
        late = variant.share(variant.true_min > variant.late_min)
        shares = "".join(f"{100 * share:>8.1f}%" for share in (variant.early, late))
        print(f"{name:24}{100 * variant.held:>17.1f}%{shares}{width:>18.1f}")


def kind_left_out(wears: list[Recorded], tracks: list[AirTrack]) -> None:
    """Forecast a kind of simulated work with an interval learnt from all other kinds, simulated alone."""
    print("\nInterval for a kind of work that it was not learnt from (simulated wears alone)")
    fitted = real_accuracy.simulated_cases(population(FIT_SEED, 350), 0)
    judged = real_accuracy.simulated_cases(wears[:350], 1000)
    print(f"{'':24}  held early  late width    W")
    for kind in KINDS_OF_WORK:
        ends = learn_ends(real_accuracy.lots([case for case in fitted if case.task != kind]), kind)
        own = [(case, *real_accuracy.ends_of(case, ends)) for case in judged if case.task == kind]
        print(f"{kind:24}{real_accuracy.shares(own)}")


def gaps(count: int = 140) -> None:
    print(f"\nOne gap in mid-wear, {count} wears: litres used in the gap, RMS error")
    whole = population(REPORT_SEED, count, step_bar=1.0, interval_s=1.0, gaps=False)
    for length_s in (30, 120, 300):
        live, after, covered = [], [], []
        for recorded in whole:
            begin = int(recorded.wear.time_s[-1] / 2 - length_s / 2)
            end = begin + length_s
            if begin < 120:
                continue
            heard = (recorded.time_s <= begin) | (recorded.time_s >= end)
            gas_c = recorded.gas_temperature_c
            gapped = Recorded(
                **{
                    **recorded.__dict__,
                    "time_s": recorded.time_s[heard],
                    "pressure_bar": recorded.pressure_bar[heard],
                    "gas_temperature_c": None if gas_c is None else gas_c[heard],
                }
            )
            track = track_of(gapped)
            truth = recorded.wear.free_air_left_l[begin] - recorded.wear.free_air_left_l[end]
            after.append(track.free_air_left_l[begin] - track.free_air_left_l[end] - truth)
            live.append(np.sum(track.live_rate_l_min[begin:end]) / 60.0 - truth)
            rate = recorded.wear.rate_l_min[end - 1]
            covered.append(track.live_rate_lo_l_min[end - 1] <= rate <= track.live_rate_hi_l_min[end - 1])
        held = 100 * np.mean(covered)
        print(f"  {length_s:>4} s: live {rms(live):5.1f}, after the fact {rms(after):4.1f};", end="")
        print(f" the live band at its end holds {held:.0f} %")


def late_and_double(count: int = 70) -> None:
    rng = np.random.default_rng(REPORT_SEED)
    in_order, disturbed = [], []
    for recorded in population(REPORT_SEED, count, gaps=False):
        size = recorded.time_s.size
        late_s = np.where(rng.uniform(size=size) < 0.05, rng.uniform(1.0, 4.0, size), 0.0)
        order = np.argsort(recorded.time_s + late_s, kind="stable")
        double = np.sort(rng.choice(size, size // 20, replace=False))
        order = np.insert(order, double, order[double])
        for sequence, errors in ((np.arange(recorded.time_s.size), in_order), (order, disturbed)):
            live = LiveAir(recorded.wear.cylinder, recorded.start_temperature_c, 15.0)
            square = []
            for place in sequence:
                live.add(float(recorded.time_s[place]), float(recorded.pressure_bar[place]))
                second = int(recorded.time_s[place])
                if second >= SETTLED_S and second % 10 == 0:
                    square.append(live.at(float(second)).rate_l_min - recorded.wear.rate_l_min[second])
            errors.append(rms(square))
    print(f"\nLive, {count} wears: in order {rms(in_order):.2f} L/min;")
    print(f"  with 5 % of readings up to 4 s late and 5 % double {rms(disturbed):.2f} L/min")


def main() -> None:
    parser = argparse.ArgumentParser(description="How accurate air, rate and forecast are.")
    parser.add_argument("--real", type=Path, metavar="FOLDER", help="real breaths and cylinders")
    parser.add_argument("--plots", type=Path, metavar="FOLDER", help="where to write the plots")
    parser.add_argument("--real-only", action="store_true", help="leave out the simulated tables")
    chosen = parser.parse_args()
    if chosen.plots:
        chosen.plots.mkdir(parents=True, exist_ok=True)
    if not chosen.real_only:
        simulated(chosen.plots)
    if chosen.real:
        real = real_accuracy.real_cases(chosen.real)
        fitted = real_accuracy.simulated_cases(population(FIT_SEED, 280), 10_000)
        reported = real_accuracy.simulated_cases(population(REPORT_SEED, 350), 20_000)
        reported += real_accuracy.restless_cases(80, 30_000)
        unseen = real_accuracy.side_by_side(real, fitted, reported)
        real_accuracy.every_pressure(chosen.real)
        if chosen.plots:
            for name, groups in (
                ("real", accuracy_plots.by_kind()),
                ("tasks", accuracy_plots.by_task()),
                ("hardness", accuracy_plots.by_hardness()),
            ):
                drawn = accuracy_plots.reliability_real(unseen, groups)
                drawn.write_html(chosen.plots / f"reliability_{name}.html")


def simulated(plots: Path | None) -> None:
    wears = population(REPORT_SEED, REPORTED)
    tracks = [track_of(recorded) for recorded in wears]
    headline(wears, tracks, population(FRESH_SEED, REPORTED // 2))
    kinds_of_reading = {(step, interval) for step in (1.0, 0.1) for interval in (1.0, 5.0)}
    groups: dict[str, dict[str, Callable[[Recorded], bool]]] = {
        "By step and interval of the readings": {
            f"{kind[0]:g} bar, every {kind[1]:g} s": lambda r, kind=kind: (r.step_bar, r.interval_s) == kind
            for kind in sorted(kinds_of_reading, reverse=True)
        },
        "By kind of work": {kind: lambda r, kind=kind: r.task == kind for kind in KINDS_OF_WORK},
        "By cylinder": {
            f"{cylinder.count} x {cylinder.water_volume_l:g} L": lambda r, c=cylinder: r.wear.cylinder == c
            for cylinder in dict.fromkeys(CYLINDERS)
        },
        "By what is not ideal": {
            "gauge late < 2 s": lambda r: r.wear.hardware.gauge_late_s < 2.0,
            "gauge late > 3 s": lambda r: r.wear.hardware.gauge_late_s > 3.0,
            "hot surroundings": lambda r: float(r.wear.surroundings_c.max()) > 38.0,
            "gas thermometer": lambda r: r.gas_temperature_c is not None,
            "only the heat sensor": lambda r: r.gas_temperature_c is None,
        },
    }
    for title, group in groups.items():
        table(title, wears, tracks, group)
    what_each_buys(wears, tracks)
    kind_left_out(wears, tracks)
    gaps()
    late_and_double()
    if plots:
        accuracy_plots.write(plots, wears, tracks)


if __name__ == "__main__":
    main()
