"""An incident of plain arrays: result tables and messages of any size, fast, for tests and benchmarks."""

from __future__ import annotations

import json
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from analysis.incident import Analysed
from analysis.profile import Profile
from analysis.tables import TABLES, Results, conform
from dashboard.results_store import ResultsStore
from ingest.archive.folder import create_archive
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.columns import FRAME_SCHEMAS
from ingest.contract.frames import Messages, no_messages

OPENED = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)
INCIDENT = "I-0504"
SILENT_FROM_S, SILENT_UNTIL_S = 600, 780
DISTRESS_AT_S = 900


def table(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """A result table from rows that name only what matters."""
    return conform(
        name, pl.DataFrame(rows, schema=TABLES[name]) if rows else pl.DataFrame(schema=TABLES[name])
    )


def at(second: float) -> datetime:
    return OPENED + timedelta(seconds=float(second))


def _filled(kind: str, columns: dict[str, Any]) -> pl.DataFrame:
    frame = pl.DataFrame(columns)
    schema = FRAME_SCHEMAS[kind]
    return frame.select(
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(dtype).alias(name)
        for name, dtype in schema.items()
    )


class Incident:
    """`wearers` people under air for `minutes`, one reading of each kind a second.

    The second wearer is silent for three minutes and distressed at 15 minutes (where the wear is that long).
    """

    def __init__(self, wearers: int = 4, minutes: int = 30, seed: int = 1) -> None:
        rng = np.random.default_rng(seed)
        self.people = [
            (f"W-{i + 1:02d}", f"S-{i + 1:03d}", "ABCDEFGHIJ"[i // 3 % 10]) for i in range(wearers)
        ]
        self.seconds = np.arange(60 * minutes)
        tables: dict[str, list[pl.DataFrame]] = {"air": [], "heat": []}
        frames: defaultdict[str, list[pl.DataFrame]] = defaultdict(list)
        wears, alarms, gaps, clocks, findings, turns = [], [], [], [], [], []
        time = np.datetime64(OPENED.replace(tzinfo=None), "us") + self.seconds * np.timedelta64(
            1_000_000, "us"
        )
        stamps = pl.Series("time", time).dt.replace_time_zone("UTC")
        for number, (wearer, set_id, team) in enumerate(self.people):
            wear_id = f"{set_id}/1/1"
            rate = 40 + 12 * np.sin(self.seconds / 200 + number) + rng.normal(0, 2, len(self.seconds))
            used = np.cumsum(rate) / 60
            pressure = np.maximum(300 - used / 6.2 * (30 / max(minutes, 30)), 20)
            silent = (
                (self.seconds > SILENT_FROM_S) & (self.seconds < SILENT_UNTIL_S)
                if number == 1
                else np.zeros(len(self.seconds), bool)
            )
            temperature = (
                30 + 60 * np.exp(-(((self.seconds - 900) / 300.0) ** 2)) + rng.normal(0, 0.5, len(time))
            )
            motion = np.abs(rng.normal(1.2, 0.5, len(time)))
            minutes_left = np.maximum((pressure - 55) * 6.2 / rate, 0)
            tables["air"].append(
                pl.DataFrame(
                    {
                        "wear_id": pl.Series([wear_id]).extend_constant(wear_id, len(time) - 1),
                        "time": stamps,
                        "pressure_bar": pressure,
                        "pressure_sd_bar": np.where(silent, 4.0, 0.6),
                        "rate_l_min": rate,
                        "rate_lo_l_min": rate - 8,
                        "rate_hi_l_min": rate + 8,
                        "low_air_min": minutes_left,
                        "low_air_lo_min": minutes_left * 0.8,
                        "low_air_hi_min": minutes_left * 1.25,
                        "hardest_l_min": rate + 20.0,
                        "easiest_l_min": rate - 20.0,
                        "low_air_hardest_min": minutes_left * 0.6,
                        "heard": ~silent,
                    }
                )
            )
            ambient = temperature + 20
            tables["heat"].append(
                pl.DataFrame(
                    {
                        "wear_id": pl.Series([wear_id]).extend_constant(wear_id, len(time) - 1),
                        "time": stamps,
                        "temperature_c": temperature,
                        "ambient_c": ambient,
                        "ambient_lo_c": ambient - 10,
                        "ambient_hi_c": ambient + 15,
                        "thermal_class": np.where(ambient > 100, 2, 1),
                        "dose": np.cumsum(ambient) / 1e7,
                    }
                )
            )
            heard = ~silent
            readings = (
                ("pressure", "pressure_bar", np.round(pressure)),
                ("motion", "motion_m_s2", np.round(motion, 2)),
                ("temperature", "temperature_c", np.round(temperature, 1)),
            )
            for offset, (kind, field, values) in enumerate(readings):
                n = int(heard.sum())
                seq = self.seconds[heard] + 1_000_000 * offset  # the same whatever kinds there are
                own = stamps.filter(pl.Series(heard))
                frames[kind].append(
                    _filled(
                        kind,
                        {
                            "service": ["tarnhollow"] * n,
                            "set_id": [set_id] * n,
                            "boot": np.ones(n, dtype=np.int64),
                            "seq": seq,
                            "time": own,
                            "kind": [kind] * n,
                            field: values[heard],
                            "received": own + timedelta(milliseconds=40),
                            "topic": [f"underair/v1/tarnhollow/set/{set_id}/{kind}"] * n,
                            "payload": [f'{{"kind":"{kind}","set_id":"{set_id}","boot":1,"seq":'] * n,
                            "retained": np.zeros(n, dtype=bool),
                        },
                    ).with_columns(
                        pl.concat_str("payload", "seq", pl.lit(f',"{field}":'), field, pl.lit("}")).alias(
                            "payload"
                        )
                    )
                )
            end = float(self.seconds[-1])
            wears.append(
                {
                    "wear_id": wear_id,
                    "incident_id": INCIDENT,
                    "set_id": set_id,
                    "wearer_id": wearer,
                    "team": team,
                    "started": at(0),
                    "ended": at(end),
                    "cylinder_count": 1,
                    "water_volume_l": 6.8,
                    "rated_bar": 300.0,
                    "start_bar": 300.0,
                    "end_bar": float(pressure[-1]),
                    "free_air_l": float(used[-1]),
                    "free_air_sd_l": 12.0,
                    "mean_l_min": float(rate.mean()),
                    "peak_l_min": float(rate.max()),
                    "low_air_bar": 55.0,
                    "low_air_at": at(0.9 * end) if number == 0 else None,
                    "low_air_s": 0.1 * end if number == 0 else 0.0,
                    "turn_back_bar": 178.0,
                    "turn_back_at": at(0.5 * end),
                    "peak_temperature_c": float(temperature.max()),
                    "heat_dose": 0.03,
                    "gap_s": 180.0 if silent.any() else 0.0,
                    "lost_messages": 540 if silent.any() else 0,
                }
            )
            turns += [
                {
                    "wear_id": wear_id,
                    "policy": policy,
                    "at": at(share * end),
                    "pressure_bar": float(pressure[int(share * end)]),
                    "minutes_in_hand_low_air": (0.9 - share) * end / 60,
                    "minutes_in_hand_leaving": (1 - share) * end / 60,
                }
                for policy, share in (("double_return", 0.6), ("half_of_usable", 0.5), ("forecast", 0.55))
            ]
            clocks.append(
                {
                    "set_id": set_id,
                    "boot": 1,
                    "offset_s": 0.1 * number,
                    "offset_sd_s": 0.02,
                    "drift_ppm": 3.0,
                    "steps": 0,
                }
            )
        if minutes >= 20 and wearers >= 2:
            wearer, set_id, _ = self.people[1]
            wear_id = f"{set_id}/1/1"
            alarms += [
                {
                    "wear_id": wear_id,
                    "set_id": set_id,
                    "alarm": "distress",
                    "raised": at(DISTRESS_AT_S),
                    "acknowledged": at(DISTRESS_AT_S + 42),
                    "cleared": at(DISTRESS_AT_S + 90),
                    "seen": at(DISTRESS_AT_S + 20),
                    "response_s": 20.0,
                    "source": "reported",
                },
                {
                    "wear_id": wear_id,
                    "set_id": set_id,
                    "alarm": "no_motion",
                    "raised": at(DISTRESS_AT_S + 12),
                    "cleared": at(DISTRESS_AT_S + 60),
                    "source": "both",
                    "lead_s": 4.0,
                },
                {
                    "wear_id": f"{self.people[0][1]}/1/1",
                    "set_id": self.people[0][1],
                    "alarm": "low_air",
                    "raised": at(0.9 * end),
                    "source": "derived",
                },
            ]
            gaps.append(
                {
                    "set_id": set_id,
                    "wear_id": wear_id,
                    "started": at(SILENT_FROM_S),
                    "ended": at(SILENT_UNTIL_S),
                    "seconds": 180.0,
                    "lost_messages": 540,
                }
            )
            findings += [
                {
                    "finding_id": "silence-1",
                    "code": "silence",
                    "severity": "caution",
                    "wear_id": wear_id,
                    "set_id": set_id,
                    "started": at(SILENT_FROM_S),
                    "ended": at(SILENT_UNTIL_S),
                    "statement": f"{wearer} was not heard for 3 min under air.",
                    "evidence": [f"{set_id}/1/{SILENT_FROM_S}", f"{set_id}/1/{SILENT_UNTIL_S}"],
                },
                {
                    "finding_id": "no-motion-1",
                    "code": "no_motion_unanswered",
                    "severity": "serious",
                    "wear_id": wear_id,
                    "set_id": set_id,
                    "started": at(DISTRESS_AT_S),
                    "ended": at(DISTRESS_AT_S + 60),
                    "statement": f"{wearer} gave distress; it was answered after 20 s.",
                    "evidence": [f"{set_id}/1/{DISTRESS_AT_S}"],
                },
            ]
        self.results: Results = {name: pl.DataFrame(schema=schema) for name, schema in TABLES.items()}
        # Columns that this incident invents nothing for are null.
        nothing = {name: pl.DataFrame(schema=TABLES[name]) for name in tables}
        self.results |= {
            name: conform(name, pl.concat([nothing[name], *parts], how="diagonal"))
            for name, parts in tables.items()
        }
        made = {"wears": wears, "alarms": alarms, "gaps": gaps, "clocks": clocks, "findings": findings}
        self.results |= {name: table(name, rows) for name, rows in (made | {"turn_back": turns}).items()}
        self.messages: Messages = no_messages()
        self.messages |= {kind: pl.concat(parts) for kind, parts in frames.items()}
        self.messages |= self._desk()

    def _desk(self) -> Messages:
        entries: dict[str, list[dict[str, Any]]] = {"incident": [], "note": [], "tally": []}
        entries["incident"].append(
            {"action": "open", "name": "Cooperage", "place": "Fellmire Quay", "type": "fire", "second": -60}
        )
        entries["note"].append({"text": "Stairs <b>gone</b>, crew B to the west door", "second": 640})
        entries["note"].append({"text": "Water on", "certainty": "estimated", "second": 300, "about": 240})
        for wearer, set_id, team in self.people:
            entries["tally"].append(
                {"action": "in", "set_id": set_id, "wearer_id": wearer, "team": team, "second": -20}
            )
        frames: Messages = {}
        seq = 0
        for kind, rows in entries.items():
            made = []
            for row in rows:
                seq += 1
                second, about = row.pop("second"), row.pop("about", None)
                said = {
                    "incident_id": INCIDENT,
                    **row,
                    "kind": kind,
                    "desk_id": "D-01",
                    "boot": 7,
                    "seq": seq,
                }
                if about is not None:
                    said["at"] = at(about)
                made.append(
                    said
                    | {
                        "service": "tarnhollow",
                        "time": at(second),
                        "received": at(second + 0.05),
                        "topic": f"underair/v1/tarnhollow/desk/D-01/{kind}",
                        "payload": json.dumps(said, default=str),
                        "retained": False,
                    }
                )
            columns = {name: [row.get(name) for row in made] for name in FRAME_SCHEMAS[kind]}
            schema = FRAME_SCHEMAS[kind]
            frames[kind] = pl.DataFrame(columns, schema=schema)
        return frames


def archive_with(folder: Path, messages: Messages) -> Archive:
    """A sealed archive that holds these messages."""
    seal_messages(create_archive(folder), messages, "made")
    return Archive(folder)


def as_analysed(results: Results) -> Analysed:
    """Made tables as an analysis hands them over."""
    return Analysed(results, None, [], bool(results["wears"]["incident_id"].null_count()))


def store_with(incident: Incident, folder: Path) -> ResultsStore:
    """A store that answers with the made tables, whatever it would analyse."""
    archive = archive_with(folder, incident.messages)
    return ResultsStore(archive, Profile.default(), lambda *_, **__: as_analysed(incident.results))
