"""Two plots of accuracy: what was said against what happened, and one wear with truth, band and naive."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analysis.air.breathing import AirTrack
from analysis.air.forecast import SAID_MIN, learn_factors, weighted_quantile
from analysis.air.gas import FloatArray
from tests.benchmarks.measures import Forecasts, measure_forecasts, track_of
from tests.benchmarks.other_forecasts import naive_rate_l_min, quantiles
from tests.benchmarks.population import FIT_SEED, LOW_AIR_BAR, Recorded, population

LEVELS = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
SCORES = (-1.645, -1.282, -0.674, 0.0, 0.674, 1.282, 1.645)
PERFECT = {"color": "#222222", "dash": "dot"}
INK, OURS, OTHER, BAND = "#222222", "#1b4f8a", "#a8541a", "rgba(27,79,138,0.18)"


def write(folder: Path, wears: list[Recorded], tracks: list[AirTrack]) -> None:
    reliability(wears, tracks).write_html(folder / "reliability.html", include_plotlyjs=True)
    one_wear(wears).write_html(folder / "one_wear.html", include_plotlyjs=True)


def reliability(wears: list[Recorded], tracks: list[AirTrack]) -> go.Figure:
    forecasts = measure_forecasts(wears, tracks)
    fitted = population(FIT_SEED, 350)
    learnt = measure_forecasts(fitted, [track_of(recorded) for recorded in fitted])
    ours = [_learnt_minutes(learnt, forecasts, level) for level in LEVELS]
    own = quantiles(wears, forecasts, SCORES, skewed=False)
    figure = make_subplots(
        cols=2,
        subplot_titles=("Warning came before the minute said", "Minutes said against minutes that passed"),
    )
    figure.add_scatter(x=[0, 100], y=[0, 100], mode="lines", line=PERFECT, name="perfect")
    for name, minutes, color, symbol in (
        ("factors learnt from past errors", ours, OURS, "circle"),
        ("filter's own spread", own, OTHER, "square"),
    ):
        happened = [100 * forecasts.share(forecasts.true_min < quantile) for quantile in minutes]
        said = [100 * level for level in LEVELS]
        marks = {"mode": "lines+markers", "line_color": color, "marker_symbol": symbol}
        figure.add_scatter(x=said, y=happened, name=name, **marks)
    centres, spread = [], []
    for low, high in pairwise(SAID_MIN):
        chosen = (forecasts.said_min >= low) & (forecasts.said_min < high)
        weights = forecasts.weight[chosen]
        centres.append(float(weighted_quantile(forecasts.said_min[chosen], weights, np.array([0.5]))[0]))
        spread.append(weighted_quantile(forecasts.true_min[chosen], weights, np.array([0.05, 0.5, 0.95])))
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


def _learnt_minutes(learnt: Forecasts, forecasts: Forecasts, level: float) -> FloatArray:
    """Return the quantile of `level` by the factors that the fitted wears would give for it."""
    said, factor = learn_factors(learnt.said_min, learnt.true_min, learnt.weight, levels=(level,)).T
    return forecasts.said_min * np.interp(forecasts.said_min, said, factor)


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
