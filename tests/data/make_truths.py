"""Compute truths.json of each data set from the files as they lie here: `python -m tests.data.make_truths`.

Only numpy and the csv module of the standard library: nothing of the program itself. A test runs it and compares.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
Truths = dict[str, Any]
RUN_W, STANDBY_W = 500.0, 30.0  # the heat pump: what counts as a run, what is more than nothing at rest
FRIDGE_W, FRIDGE_LEAST_S, FIRST_S = 40.0, 100.0, 6.0  # the refrigerators: a run, its least length, its start


def stretches(on: Sequence[bool]) -> list[tuple[int, int]]:
    """Return (first, last + 1) of each maximal stretch of true rows."""
    found, at = [], 0
    for value, group in groupby(on):
        length = len(list(group))
        if value:
            found.append((at, at + length))
        at += length
    return found


# ---------------------------------------------------------------- the two-stage heat pump, a row a minute


def heat_pump_day(path: Path) -> Truths:
    """Return counts of calls (stg > 0) and runs (od_power > 500 W), how they lie to each other, and power at rest."""
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    power = np.array([float(row["od_power"]) for row in rows])
    outdoor = np.array([float(row["oa_temp"]) for row in rows])
    stage = np.array([float(row["stg"]) for row in rows])
    calls, runs = stretches(list(stage > 0)), stretches(list(power > RUN_W))
    pairs = [(call, _met(call, runs)) for call in calls]
    met = [(call, of_call) for call, of_call in pairs if of_call]
    idle = power[(stage == 0) & (power <= RUN_W)]
    lengths = [end - begin for begin, end in runs]
    gaps = [after - before for (_, before), (after, _) in pairwise(runs)]
    top = int(power.argmax())
    return {
        "rows": len(rows),
        "calls": len(calls),
        "calls_lasting_1_row": sum(end - begin == 1 for begin, end in calls),
        "calls_without_run": [
            [rows[call[0]]["date_time"], call[1] - call[0]] for call, of_call in pairs if not of_call
        ],
        "runs_over_500W": len(runs),
        "run_rows": sum(lengths),
        "longest_run_rows": max(lengths, default=0),
        "shortest_run_rows": min(lengths, default=0),
        "shortest_gap_between_runs_rows": min(gaps, default=0),
        "run_start_minus_call_start_rows": _counted(of_call[0][0] - call[0] for call, of_call in met),
        "run_end_minus_call_end_rows": _counted(of_call[-1][1] - call[1] for call, of_call in met),
        "idle_od_W_median": float(np.median(idle)),
        "idle_od_W_max": float(idle.max()),
        "idle_rows_over_30W": int((idle > STANDBY_W).sum()),
        "max_od_W": float(power.max()),
        "max_od_at": rows[top]["date_time"],
        "oa_degF_min": float(outdoor.min()),
        "oa_degF_max": float(outdoor.max()),
        "rows_od_over_500W_with_no_call": int(((power > RUN_W) & (stage == 0)).sum()),
        "outdoor_energy_Wh": round(float(power.sum()) / 60, 1),
    }


def _met(call: tuple[int, int], runs: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the runs that overlap a call, or touch it within a row, as the columns are askew."""
    return [run for run in runs if run[0] <= call[1] and run[1] >= call[0]]


def _counted(values: Any) -> dict[str, int]:
    return {str(value): count for value, count in sorted(Counter(values).items())}


def heat_pump(folder: Path) -> Truths:
    """Return the truths of each day of a folder."""
    return {path.name: heat_pump_day(path) for path in sorted(folder.glob("*_*.csv"))}


# ---------------------------------------------------------------- refrigerators, about a row a second


def refrigerator(path: Path) -> Truths:
    """Return the runs of a file: a maximal stretch of lines above 40 W that lasts at least 100 s."""
    lines = [line for line in path.read_text().splitlines() if line]
    times = [datetime.strptime(line.split(";")[0], "%d/%m/%Y %H:%M:%S") for line in lines]
    watts = np.array([float(line.split(";")[1]) for line in lines])
    steps = [(after - before).total_seconds() for before, after in pairwise(times)]
    runs = []
    for begin, end in stretches(list(watts > FRIDGE_W)):
        length_s = (times[min(end, len(times) - 1)] - times[begin]).total_seconds()
        if length_s >= FRIDGE_LEAST_S:
            first = [w for at, w in zip(times[begin:end], watts[begin:end], strict=True) if _since(times[begin], at)]
            median = float(np.median(watts[begin:end]))
            runs.append(
                {
                    "start": times[begin].strftime("%H:%M:%S"),
                    "starts_before_file": begin == 0,
                    "ends_after_file": end == len(lines),
                    "duration_s": int(length_s),
                    "peak_W_first_6s": float(max(first)),
                    "median_W": median,
                    "ratio": round(float(max(first)) / median, 2),
                }
            )
    whole = [run for run in runs if not run["starts_before_file"] and not run["ends_after_file"]]
    begun = [datetime.strptime(str(run["start"]), "%H:%M:%S") for run in whole]
    return {
        "lines": len(lines),
        "repeated_timestamps": sum(step == 0 for step in steps),
        "backward_timestamps": sum(step < 0 for step in steps),
        "largest_gap_s": int(max(steps)),
        "min_W": float(watts.min()),
        "max_W": float(watts.max()),
        "median_W": float(np.median(watts)),
        "complete_runs": len(whole),
        "runs": runs,
        "median_peak_to_running_ratio": round(float(np.median([run["ratio"] for run in whole])), 2) if whole else None,
        "start_to_start_s": [int((after - before).total_seconds()) for before, after in pairwise(begun)],
    }


def _since(began: datetime, at: datetime) -> bool:
    return (at - began).total_seconds() <= FIRST_S


def refrigerators(folder: Path) -> Truths:
    """Return the truths of each file of the folder."""
    return {path.name: refrigerator(path) for path in sorted(folder.glob("*.csv"))}


# ---------------------------------------------------------------- waveforms


def motors(folder: Path) -> Truths:
    """Return RMS, peak, mean, crest factor and unbalance (NEMA MG 1: largest deviation from the mean over the mean)."""
    found = {}
    for path in sorted(folder.glob("*.csv")):
        phases = np.loadtxt(path, delimiter=",").T
        rms = np.sqrt((phases**2).mean(axis=1))
        peak = np.abs(phases).max(axis=1)
        found[path.name] = {
            "rows": phases.shape[1],
            "rms": [round(float(x), 4) for x in rms],
            "peak": [round(float(x), 4) for x in peak],
            "mean": [round(float(x), 4) for x in phases.mean(axis=1)],
            "crest": [round(float(x), 3) for x in peak / rms],
            "line_frequency_hz": [round(_frequency_hz(phase, 1000.0), 2) for phase in phases],
            "unbalance_percent": round(float(100 * np.abs(rms - rms.mean()).max() / rms.mean()), 2),
        }
    return found


def _frequency_hz(values: Any, rate_hz: float) -> float:
    """Return the frequency from the first to the last rising zero crossing, each between two samples."""
    at = np.flatnonzero((values[:-1] < 0) & (values[1:] >= 0))
    crossings = at - values[at] / (values[at + 1] - values[at])
    return float(rate_hz * (len(crossings) - 1) / (crossings[-1] - crossings[0]))


def feeder(folder: Path) -> Truths:
    """Return RMS, peak, fundamental and distortion of each channel, and power of each phase (IEEE C37.111 ASCII)."""
    config = (folder / "keating_1999.CFG").read_text().splitlines()
    channels = [line.split(",") for line in config if line.count(",") >= 12]
    lines = (folder / "keating_1999.DAT").read_text().rstrip("\x1a\n\r ").splitlines()
    recorded = [line.split(",") for line in lines]
    raw = np.array([[int(cell or 0) for cell in row] for row in recorded])
    rate_hz = next(float(line.split(",")[0]) for line in config if line.endswith(",2048"))
    per_cycle = 512
    samples = {c[1]: float(c[5]) * raw[:, 2 + place] + float(c[6]) for place, c in enumerate(channels)}
    cycles = len(raw) // per_cycle
    found: Truths = {
        "samples": len(raw),
        "sample_rate_hz": rate_hz,
        "samples_per_cycle": per_cycle,
        "cycles": cycles,
        "line_frequency_hz": round(rate_hz / per_cycle, 4),
        "channels": {},
    }
    for name, unit in ((c[1], c[4]) for c in channels):
        values = samples[name]
        spectrum = np.abs(np.fft.rfft(values)) / len(values) * np.sqrt(2)
        harmonics = spectrum[[cycles * order for order in range(1, 40)]]
        rms, peak = float(np.sqrt((values**2).mean())), float(np.abs(values).max())
        each = np.sqrt((values.reshape(cycles, per_cycle) ** 2).mean(axis=1))
        found["channels"][name] = {
            "unit": unit,
            "rms": round(rms, 3),
            "mean": round(float(values.mean()), 3),
            "rms_mean_removed": round(float(values.std()), 3),
            "peak": round(peak, 2),
            "crest": round(peak / rms, 3),
            "fundamental_rms": round(float(harmonics[0]), 3),
            "thd_percent": round(float(100 * np.sqrt((harmonics[1:] ** 2).sum()) / harmonics[0]), 2),
            "rms_per_cycle": [round(float(x), 3) for x in each],
        }
    found["phases"] = [_phase(number, samples[f"I{number}"], samples[f"U{number}"]) for number in (1, 2, 3)]
    return found


def _phase(number: int, amps: Any, volts: Any) -> Truths:
    watts = float((amps * volts).mean())
    apparent = float(np.sqrt((amps**2).mean() * (volts**2).mean()))
    return {
        "phase": number,
        "P_W": round(watts, 1),
        "S_VA": round(apparent, 1),
        "power_factor": round(watts / apparent, 4),
    }


# ---------------------------------------------------------------- weather


def weather(folder: Path) -> Truths:
    """Return counts and extremes of the dry bulb of a typical year, °C."""
    with (folder / "phoenix_sky_harbor_tmy3.csv").open(newline="") as file:
        next(file)
        rows = list(csv.reader(file))[1:]
    air = np.array([float(row[3]) for row in rows])
    days = air.reshape(-1, 24)
    hot = int(air.argmax())
    return {
        "rows": len(rows),
        "max_C": float(air.max()),
        "max_at": f"{rows[hot][0]} {rows[hot][1]}",
        "min_C": float(air.min()),
        "mean_C": round(float(air.mean()), 1),
        "hours_at_or_above_40C": int((air >= 40).sum()),
        "hours_at_or_above_35C": int((air >= 35).sum()),
        "days_with_max_at_or_above_40C": int((days.max(axis=1) >= 40).sum()),
        "warmest_daily_min_C": float(days.min(axis=1).max()),
        "longest_stretch_hours_at_or_above_30C": max(end - begin for begin, end in stretches(list(air >= 30))),
        "july_mean_C": round(float(air[[row[0].startswith("07/") for row in rows]].mean()), 2),
        "cooling_degree_hours_base_24C": round(float(np.clip(air - 24, 0, None).sum()), 1),
    }


MAKERS: dict[str, Callable[[Path], Truths]] = {
    "nist-ashp-hilft": heat_pump,
    "nist-ashp-hilft-more": heat_pump,
    "tracebase-refrigeration-1hz": refrigerators,
    "itsc-motor-current-1khz": motors,
    "keating-waveform-31khz": feeder,
    "phoenix-tmy3": weather,
}


def text(name: str) -> str:
    """Return what truths.json of a data set has to hold."""
    return json.dumps(MAKERS[name](HERE / name), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    for name in MAKERS:
        (HERE / name / "truths.json").write_text(text(name))
