"""Two plots of accuracy: what was said against what happened, and one wear with truth, band and naive."""

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analysis.air.breathing import AirTrack
from analysis.air.forecast import EARLY_TERMS
from analysis.air.learning import learn_ends
from sample_logs.simulation.tasks import KINDS_OF_WORK
from tests.benchmarks import real_accuracy, restless_work
from tests.benchmarks.fit_breathing import SAID_MIN
from tests.benchmarks.measures import measure_forecasts, track_of
from tests.benchmarks.other_forecasts import naive_rate_l_min, quantiles
from tests.benchmarks.population import FIT_SEED, LOW_AIR_BAR, Recorded, population
from tests.benchmarks.real_accuracy import HARD_L_MIN, Case, Judged, mean_rate_l_min

LEVELS = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
SCORES = (-1.645, -1.282, -0.674, 0.0, 0.674, 1.282, 1.645)
PERFECT = {"color": "#222222", "dash": "dot"}
INK, OURS, OTHER, BAND = "#222222", "#1b4f8a", "#a8541a", "rgba(27,79,138,0.18)"


def write(folder: Path, wears: list[Recorded], tracks: list[AirTrack]) -> None:
    reliability(wears, tracks).write_html(folder / "reliability.html", include_plotlyjs=True)
    one_wear(wears).write_html(folder / "one_wear.html", include_plotlyjs=True)


def reliability(wears: list[Recorded], tracks: list[AirTrack]) -> go.Figure:
    forecasts = measure_forecasts(wears, tracks)
    fitted = real_accuracy.simulated_cases(population(FIT_SEED, 350), 0)
    cases = real_accuracy.simulated_cases(wears, 1000)
    ours = [learnt_share(fitted, cases, level) for level in LEVELS]
    own = quantiles(wears, forecasts, SCORES, skewed=False)
    figure = make_subplots(
        cols=2,
        subplot_titles=("Warning came before the minute said", "Minutes said against minutes that passed"),
    )
    figure.add_scatter(x=[0, 100], y=[0, 100], mode="lines", line=PERFECT, name="perfect")
    filters = [forecasts.share(forecasts.true_min < quantile) for quantile in own]
    for name, shares, color, symbol in (
        ("learnt from past errors", ours, OURS, "circle"),
        ("filter's own spread", filters, OTHER, "square"),
    ):
        happened = [100 * share for share in shares]
        said = [100 * level for level in LEVELS]
        marks = {"mode": "lines+markers", "line_color": color, "marker_symbol": symbol}
        figure.add_scatter(x=said, y=happened, name=name, **marks)
    centres, spread = [], []
    for low, high in pairwise(SAID_MIN):
        chosen = (forecasts.said_min >= low) & (forecasts.said_min < high)
        weights = forecasts.weight[chosen]
        centres.append(
            float(np.quantile(forecasts.said_min[chosen], 0.5, weights=weights, method="inverted_cdf"))
        )
        spread.append(
            np.quantile(forecasts.true_min[chosen], [0.05, 0.5, 0.95], weights=weights, method="inverted_cdf")
        )
    early, middle, late = np.array(spread).T
    figure.add_scatter(x=[0, 60], y=[0, 60], mode="lines", line=PERFECT, showlegend=False, row=1, col=2)
    figure.add_scatter(
        x=centres,
        y=middle,
        mode="markers",
        marker_color=OURS,
        error_y={"array": late - middle, "arrayminus": middle - early},
        name="median, 5 to 95 % of what happened",
        row=1,
        col=2,
    )
    figure.update_xaxes(title="said, %", row=1, col=1)
    figure.update_yaxes(title="happened, %", row=1, col=1)
    figure.update_xaxes(title="said, min to the low-air warning", row=1, col=2)
    figure.update_yaxes(title="happened, min", row=1, col=2)
    figure.update_layout(
        title=f"Forecasts of the low-air warning on {len(wears)} simulated wears not used for fitting",
        template="simple_white",
        width=1150,
        height=560,
        legend={"orientation": "h", "y": -0.2},
    )
    return figure


def learnt_share(fitted: list[Case], judged: list[Case], level: float) -> float:
    """Return how often the truth came before the quantile of `level` that `fitted` teaches."""
    share, rows = 0.0, 0
    ends = learn_ends(real_accuracy.lots(fitted), "plot", shares=(level, 1.0 - level))
    for case in judged:
        forecasts = case.forecasts
        if forecasts.said_min.size:
            terms = forecasts.terms(ends)[:, EARLY_TERMS]
            quantile_min = forecasts.said_min * np.exp(-(terms @ np.array(ends.early)))
            share += float(np.mean(forecasts.happened_min < quantile_min))
            rows += 1
    return share / rows


Groups = dict[str, Callable[[Case], bool]]


def by_kind() -> Groups:
    """Return the kinds of real wears, and simulated ones."""
    return {kind: lambda case, kind=kind: case.kind == kind for kind in (*real_accuracy.KINDS, "simulated")}


def by_task() -> Groups:
    """Return the kinds of simulated work."""
    return {
        task: lambda case, task=task: case.task == task for task in (*KINDS_OF_WORK, *restless_work.KINDS)
    }


def by_hardness() -> Groups:
    """Return real people (act, own, p40) and simulated wears by the wear's mean rate."""
    groups: Groups = {}
    for name, kinds in (("real people", ("act", "own", "p40")), ("simulated", ("simulated",))):
        for low, high in pairwise((0.0, *HARD_L_MIN, np.inf)):
            groups[f"{name}, {low:.0f} to {high:.0f} L/min"] = lambda case, kinds=kinds, low=low, high=high: (
                case.kind in kinds and low <= mean_rate_l_min(case) < high
            )
    return groups


def reliability_real(judged: list[Judged], groups: Groups) -> go.Figure:
    """Draw, group by group, how often the truth came before each end, and said against happened."""
    columns = 3 if len(groups) <= 6 else 4
    rows = -(-len(groups) // columns)
    figure = make_subplots(
        rows=rows,
        cols=columns,
        subplot_titles=list(groups),
        horizontal_spacing=0.05,
        vertical_spacing=0.08 if rows > 2 else 0.14,
    )
    for place, belongs in enumerate(groups.values()):
        row, col = place // columns + 1, place % columns + 1
        cases = [part for part in judged if belongs(part[0]) and part[0].forecasts.said_min.size]
        if not cases:
            continue
        said = np.concatenate([case.forecasts.said_min for case, _, _ in cases])
        happened = np.concatenate([case.forecasts.happened_min for case, _, _ in cases])
        early, late = (np.concatenate([part[end] for part in cases]) for end in (1, 2))
        weight = np.concatenate(
            [case.forecasts.once_a_wear for case, _, _ in cases if case.forecasts.wear.size]
        )
        figure.add_scatter(
            x=[0, 60], y=[0, 60], mode="lines", line=PERFECT, showlegend=False, row=row, col=col
        )
        centres, spread, ends = [], [], []
        for low, high in pairwise(SAID_MIN):
            chosen = (said >= low) & (said < high)
            if chosen.sum() > 20:
                part = weight[chosen]
                centres.append(float(np.quantile(said[chosen], 0.5, weights=part, method="inverted_cdf")))
                spread.append(
                    np.quantile(happened[chosen], [0.05, 0.5, 0.95], weights=part, method="inverted_cdf")
                )
                ends.append([np.average(end[chosen], weights=part) for end in (early, late)])
        if not centres:
            continue
        first, middle, last = np.array(spread).T
        lower, upper = np.array(ends).T
        figure.add_scatter(
            x=[*centres, *centres[::-1]],
            y=[*upper, *lower[::-1]],
            fill="toself",
            fillcolor=BAND,
            line_width=0,
            mode="lines",
            name="mean 90 % interval, learnt from other people",
            showlegend=place == 0,
            row=row,
            col=col,
        )
        figure.add_scatter(
            x=centres,
            y=middle,
            mode="markers",
            marker_color=OURS,
            error_y={"array": last - middle, "arrayminus": middle - first},
            name="median, 5 to 95 % of what happened",
            showlegend=place == 0,
            row=row,
            col=col,
        )
    figure.update_xaxes(title="said, min", range=[0, 50])
    figure.update_yaxes(title="happened, min", range=[0, 70])
    figure.update_layout(
        title="Forecasts of the low-air warning on people and dives left out of the fit",
        template="simple_white",
        width=1400,
        height=120 + 390 * rows,
        legend={"orientation": "h", "y": -0.1},
    )
    return figure


def one_wear(wears: list[Recorded]) -> go.Figure:
    """Draw the first wear of changing work with 1 bar steps that had a gap of a minute or more."""
    recorded = next(
        candidate
        for candidate in wears
        if (candidate.task, candidate.step_bar, candidate.interval_s) == ("mixed", 1.0, 1.0)
        and np.diff(candidate.time_s).max() > 60
    )
    track = track_of(recorded)
    size = track.rate_l_min.size
    minutes = np.arange(size) / 60.0
    reached_s = recorded.wear.reached_s(LOW_AIR_BAR) or float("nan")
    left_min = np.where(minutes * 60 <= reached_s, reached_s / 60.0 - minutes, np.nan)
    figure = make_subplots(rows=2, shared_xaxes=True, vertical_spacing=0.08)
    naive = naive_rate_l_min(recorded, size)
    naive[:60] = np.nan
    for low, high, row in (
        (track.rate_lo_l_min, track.rate_hi_l_min, 1),
        (track.low_air_lo_min, track.low_air_hi_min, 2),
    ):
        place = {"x": minutes, "mode": "lines", "line_width": 0, "row": row, "col": 1}
        figure.add_scatter(y=high, showlegend=False, **place)
        figure.add_scatter(y=low, fill="tonexty", fillcolor=BAND, name="90 %", showlegend=row == 1, **place)
    lines = (
        ("volume x bar, last minute", naive, OTHER, "dot", 1),
        ("rate after the fact", track.rate_l_min, OURS, "solid", 1),
        ("rate as known live", track.live_rate_l_min, OURS, "dash", 1),
        ("truth", recorded.wear.rate_l_min[:size], INK, "solid", 1),
        ("forecast", track.low_air_min, OURS, "solid", 2),
        ("minutes that passed", left_min, INK, "solid", 2),
    )
    for name, values, color, dash, row in lines:
        look = {"color": color, "dash": dash, "width": 1.5}
        figure.add_scatter(x=minutes, y=values, mode="lines", line=look, name=name, row=row, col=1)
    for start, end in pairwise(recorded.time_s):
        if end - start > 15:
            figure.add_vrect(x0=start / 60, x1=end / 60, fillcolor="#888888", opacity=0.25, line_width=0)
    figure.update_yaxes(title="L/min", range=[0, 160], row=1, col=1)
    figure.update_yaxes(title="min to the warning", rangemode="tozero", row=2, col=1)
    figure.update_xaxes(title="minutes under air", row=2, col=1)
    figure.update_layout(
        title="One simulated wear of changing work; grey: nothing heard",
        template="simple_white",
        width=1150,
        height=760,
    )
    return figure
