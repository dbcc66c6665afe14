"""The simulator that everything else is measured with: does its truth obey what it claims?"""

import numpy as np
import polars as pl
import pytest

from analysis.air.gas import Cylinder, free_air_l
from analysis.air.learning import SIMULATED, simulated_lots
from sample_logs.simulation.tasks import KINDS_OF_WORK, PERSON_SPREAD, TASKS, draw_work
from sample_logs.simulation.wear import Hardware, SimulatedWear, draw_hardware, simulate_wear
from sample_logs.simulation.wears_to_learn_from import wears_to_learn_from
from tests.benchmarks.restless_work import restless_rate


def same(one: SimulatedWear, other: SimulatedWear) -> bool:
    return np.array_equal(one.reading_bar, other.reading_bar) and np.array_equal(
        one.rate_l_min, other.rate_l_min
    )


def test_the_same_seed_gives_the_same_wear():
    assert same(simulate_wear(4, "mixed", 10.0), simulate_wear(4, "mixed", 10.0))
    assert not same(simulate_wear(4, "mixed", 10.0), simulate_wear(5, "mixed", 10.0))


@pytest.mark.parametrize("task", KINDS_OF_WORK)
def test_no_air_is_lost_or_made(task):
    wear = simulate_wear(8, task)
    drawn_l = np.sum(wear.rate_l_min[:-1]) / 60.0
    # A breath is taken in part of its time: at either end up to one breath of 3 L may be in the balance.
    assert wear.free_air_l == pytest.approx(drawn_l, abs=6.0)
    assert np.all(np.diff(wear.free_air_left_l) <= 0.0)


def test_pressure_obeys_real_air_in_a_cylinder_that_grows():
    wear = simulate_wear(6, "attack", 20.0, cylinder=Cylinder(2, 6.8, 300.0))
    hidden = wear.hardware
    volume_l = 13.6 * hidden.volume_factor * (1.0 + hidden.growth * wear.pressure_bar / 300.0)
    content = free_air_l(wear.pressure_bar, wear.gas_temperature_c, volume_l)
    assert content == pytest.approx(wear.free_air_left_l, rel=2e-4)


def test_gas_cools_while_it_is_drawn_and_comes_back_when_it_is_not():
    rate = np.where(np.arange(1500) < 600, 90.0, 0.0)
    wear = simulate_wear(2, rate_l_min=rate, hardware=Hardware())
    assert -30.0 < wear.gas_temperature_c[600] < 8.0
    assert wear.gas_temperature_c[-1] > wear.gas_temperature_c[600] + 5.0
    assert (
        wear.pressure_bar[-1] > wear.pressure_bar[601] + 1.0
    )  # "a few bar may return at rest" (from memory)
    assert wear.motion_m_s2.max() == 0.0


def test_hot_surroundings_warm_the_gas_and_the_sensor_lags():
    around = np.where(np.arange(1800) < 300, 20.0, 120.0)
    wear = simulate_wear(2, rate_l_min=np.zeros(1800), surroundings_c=around, hardware=Hardware())
    assert wear.gas_temperature_c[-1] > 40.0
    assert wear.pressure_bar[-1] > wear.pressure_bar[0] + 20.0
    assert wear.sensor_temperature_c[360] < 95.0 < wear.sensor_temperature_c[600]


def test_a_faultless_gauge_shows_the_truth_in_its_steps_and_a_late_one_shows_it_later():
    wear = simulate_wear(3, "search", 15.0, hardware=Hardware(gauge_noise_bar=0.0), reading_step_bar=0.1)
    assert np.abs(wear.reading_bar - wear.pressure_bar).max() <= 0.0501
    late = simulate_wear(3, "search", 15.0, hardware=Hardware(gauge_noise_bar=0.0, gauge_late_s=5.0))
    assert np.abs(late.reading_bar[5:] - late.pressure_bar[:-5]).max() <= 0.501
    assert set(np.round(late.reading_bar % 1.0, 6)) == {0.0}


def test_a_script_of_tasks_and_extra_flow_is_followed():
    wear = simulate_wear(
        1, tasks=[("standby", 5), ("attack", 5)], extra_l_min=[(60.0, 90.0, 250.0)], person=1.0
    )
    assert wear.time_s[-1] == 599.0
    assert wear.rate_l_min[60:90].min() > 250.0
    assert wear.rate_l_min[420:].mean() > 1.5 * wear.rate_l_min[120:300].mean()
    assert wear.motion_m_s2[330:].mean() > 2.0 * wear.motion_m_s2[:300].mean()


def test_reaching_a_pressure():
    wear = simulate_wear(1, "training")
    reached_s = wear.reached_s(55.0)
    assert reached_s is not None
    assert wear.pressure_bar[int(reached_s)] <= 55.0 < wear.pressure_bar[int(reached_s) - 1]
    assert simulate_wear(1, "training", 5.0).reached_s(55.0) is None


@pytest.mark.parametrize(
    ("task", "lowest", "highest"),
    [
        ("standby", 12.0, 30.0),  # work bands in training texts: light 12-20, moderate 20-40 L/min
        ("training", 35.0, 48.0),  # ISO 16900-12: 35 L/min is a common work pace; planning rate 40
        ("search", 38.9, 49.9),  # tunnel search and rescue: 49.9 L/min in, 38.9 out
        ("attack", 50.0, 65.0),  # planning rate 50 for fighting a fire; heavy work 40-60
        (
            "stairs",
            70.0,
            116.0,
        ),  # stair climb, Williams-Bell et al. 2010: 77.5 to 116 L/min (worked example 25)
    ],
)
def test_mean_rates_stand_beside_the_literature(task, lowest, highest):
    means = [draw_work(np.random.default_rng(seed), [(task, 30.0)]).rate_l_min.mean() for seed in range(60)]
    assert lowest < np.mean(means) < highest
    assert np.mean(means) == pytest.approx(TASKS[task].mean_l_min, rel=0.08)


def test_people_differ_as_in_the_literature():
    """Langford et al. 2024, JOEM 66:932-42: standard deviation between people 13.7 %."""
    evenly = [
        draw_work(np.random.default_rng(seed), [("training", 60.0)]).rate_l_min.mean() for seed in range(300)
    ]
    assert np.std(evenly) / np.mean(evenly) == pytest.approx(PERSON_SPREAD, abs=0.05)


def test_hidden_properties_are_spread_as_said():
    drawn = [draw_hardware(np.random.default_rng(seed)) for seed in range(400)]
    assert np.std([h.gauge_gain for h in drawn]) == pytest.approx(0.005, rel=0.15)
    assert np.std([h.gauge_offset_bar for h in drawn]) == pytest.approx(1.0, rel=0.15)
    assert 0.0 <= min(h.gauge_late_s for h in drawn) < max(h.gauge_late_s for h in drawn) <= 5.0


def test_an_unknown_task_is_refused_with_the_known_ones():
    with pytest.raises(ValueError, match=r"must be one of standby, training.*got 'dancing'"):
        simulate_wear(1, "dancing", 5.0)


def test_restless_work_has_the_jumps_of_the_people_it_was_measured_on():
    """Statistics of the module's head, over many draws; their own scatter is about a tenth."""
    rates = [restless_rate(np.random.default_rng(seed), "work_and_rest", 3600) for seed in range(60)]
    minutes = np.array([rate.reshape(-1, 30).mean(axis=1) for rate in rates])
    jump = np.percentile(minutes, 95, axis=1) / np.percentile(minutes, 20, axis=1)
    assert 2.5 < np.median(jump) < 9.0  # the people: 7
    assert 25.0 < np.median(minutes) < 60.0
    assert minutes.max() <= 173.0


def test_hot_work_goes_on_without_a_rest_and_half_of_it_rises():
    rates = [restless_rate(np.random.default_rng(seed), "hot", 1500) for seed in range(60)]
    means = np.array([rate.mean() for rate in rates])
    assert means.min() > 40.0
    assert means.max() < 150.0
    for rate in rates:
        assert rate.reshape(-1, 60).mean(axis=1).min() > 0.42 * rate.mean(), "no rest"
    rise = np.array([rate[700:800].mean() / rate[:100].mean() for rate in rates])
    assert 15 < np.sum(rise > 1.18) < 45
    again = restless_rate(np.random.default_rng(3), "hot", 1500)
    assert np.array_equal(again, rates[3])
    with pytest.raises(ValueError, match="kind must be one of work_and_rest, hot, got 'cold'"):
        restless_rate(np.random.default_rng(1), "cold", 10)


def test_the_wears_to_learn_from_that_ship_are_those_that_the_script_makes() -> None:
    """Who changes the simulator runs `python -m sample_logs.simulation.wears_to_learn_from`."""
    assert wears_to_learn_from().equals(pl.read_parquet(SIMULATED))
    assert [len(lot.forecasts.said_min) for lot in simulated_lots()] == [18_880, 3_291]
