"""How long before turn-back a row says "Turn back soon": `python -m tests.benchmarks.turn_back_soon FOLDER`.

On the real breaths of FOLDER (`tests.benchmarks.real_wears`; readings of 1 bar each second), for early ends
of several lengths: the part of the time between the first minute and turn-back in which the word stands, and
for how many minutes it stands without a break before the reading that shows turn-back. Turn-back is half of
the usable air.
"""

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from analysis.air.breathing import LiveAir
from analysis.live.attention import SOON_MIN
from analysis.live.outlook import look_ahead
from analysis.policies import half_of_usable_bar
from tests.benchmarks.real_wears import AROUND_C, START_BAR, RealWear, real_wears

RULES_MIN = (SOON_MIN, 5.0, 2.0)
FIRST_S, EVERY_S = 60.0, 10.0


def early_ends(wear: RealWear) -> list[tuple[float, float]]:
    """Return minutes really left until turn-back, and the early end shown then, every 10 s."""
    turn_back_bar = half_of_usable_bar(START_BAR, wear.low_air_bar)
    reached_s = float(wear.time_s[wear.pressure_bar <= turn_back_bar][0])
    air, fed, found = LiveAir(wear.cylinder, None, AROUND_C), 0, []
    for tick_s in np.arange(FIRST_S, reached_s, EVERY_S).tolist():
        heard = int(wear.time_s.searchsorted(tick_s, side="right"))
        new = wear.time_s[fed:heard], wear.pressure_bar[fed:heard]
        air.take(*new, np.full(heard - fed, np.nan), np.zeros(heard - fed), [AROUND_C] * (heard - fed))
        fed = heard
        last = float(wear.time_s[fed - 1]), float(wear.pressure_bar[fed - 1])
        leave = look_ahead(air, 0.0, last, wear.low_air_bar, turn_back_bar, tick_s).leave
        if leave is not None:
            found.append(((reached_s - tick_s) / 60.0, leave.low))
    return found


def stands(ticks: Sequence[tuple[float, float]], within_min: float) -> tuple[float, float]:
    """Return the part of the time that the word stands, and the minutes before turn-back without a break."""
    says, told, since_min = False, 0, 0.0
    for left_min, early_min in ticks:
        said, says = says, early_min <= within_min
        told += says
        since_min = since_min if said and says else left_min if says else 0.0
    return told / len(ticks), since_min


def main() -> None:
    """Print a line for each rule and kind of wear."""
    wears = [one for one in real_wears(Path(sys.argv[1]), dives=False, until_bar=20.0) if one.reached_s]
    ends = [(wear.kind, ticks) for wear in wears if (ticks := early_ends(wear))]
    print("early end within; kind of wear, wears: part of the time; minutes before, p5, p50; under 2 min")
    for within_min in RULES_MIN:
        for kind in dict.fromkeys(kind for kind, _ in ends):
            part, before_min = np.array([stands(ticks, within_min) for one, ticks in ends if one == kind]).T
            p5, p50 = np.percentile(before_min, (5, 50))
            print(
                f"{within_min:.0f} min; {kind}, {part.size}: {100 * part.mean():.0f} %; "
                f"{p5:.1f}, {p50:.1f}; {100 * np.mean(before_min < 2.0):.0f} %"
            )


if __name__ == "__main__":
    main()
