"""What a station records of a made season (``event_seasons``): closures, noise, outages, files.

    python tests/support/event_records.py FOLDER --seeds 1 2 3 [--soil pasture] [--cases …]

writes FOLDER/SEED/CASE/{fluxes,weather,events}.csv and truth.json.
"""

import argparse
import json
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from event_seasons import KG_N_HA, SHARES, SOILS, TREATMENTS, Field, season
from event_weather import LEAD, Floats
from numpy.typing import NDArray

START = date(2027, 4, 12)
A_DAY = 8
"""Closures a day of each chamber."""
LOST_CLOSURES = 0.03
REFERENCE = "none"


@dataclass(frozen=True)
class Case:
    """Blocks, and what is missing besides single lost closures.

    ``missing`` is the share of the station's time; ``wet`` makes an outage 4.5 times as
    probable to begin within two days of 5 mm of rain or more.
    """

    blocks: int = 4
    missing: float = 0.0
    wet: bool = False
    month: bool = False
    dead_chamber: bool = False
    null: bool = False
    seeds_on: int = 0
    """Added to the seed, for seasons of its own where another case has the same gaps."""


CASES = {
    "no_gaps": Case(),
    "wet_20": Case(missing=0.2, wet=True),
    "wet_40": Case(missing=0.4, wet=True),
    "random_20": Case(missing=0.2),
    "random_40": Case(missing=0.4),
    "month": Case(month=True),
    "dead_chamber": Case(dead_chamber=True),
    "two_blocks": Case(blocks=2, missing=0.2, wet=True),
    "three_blocks": Case(blocks=3, missing=0.2, wet=True),
    "four_blocks": Case(blocks=4, missing=0.2, wet=True, seeds_on=100_000),
    "six_blocks": Case(blocks=6, missing=0.2, wet=True),
    "null": Case(missing=0.2, wet=True, null=True),
}


@dataclass(frozen=True)
class Record:
    """A season as recorded, and its truth in kg ha⁻¹ of N."""

    field: Field
    fluxes: pd.DataFrame
    weather: pd.DataFrame
    events: pd.DataFrame
    start: date
    end: date
    nitrogen_kg_ha: dict[str, float]
    truth: dict[str, Any]
    seed: int
    recorded: NDArray[np.bool_]
    """(chambers, closures)"""


def closure_times(chambers: int, days: int) -> Floats:
    """Middles of closures, one chamber after the other: (chambers, closures)."""
    rounds = np.arange(A_DAY * days) / A_DAY
    turn = (np.arange(chambers) + 0.5) / chambers / A_DAY
    return rounds[None, :] + turn[:, None]


def station_outages(rng: np.random.Generator, field: Field, case: Case) -> NDArray[np.bool_]:
    """Hours of the season in which the whole station recorded nothing.

    An outage lasts 3 h to 8 days, log-uniform; the last is cut to meet the share.
    """
    days = field.given.weather.days
    down = np.zeros(24 * days, dtype=bool)
    if case.month:
        first = int(rng.integers(10, days - 40))
        down[24 * first : 24 * (first + 30)] = True
    rain = field.given.weather.rain_mm[LEAD - 1 :]
    soaked = (rain[1:] >= 5) | (rain[:-1] >= 5)
    odds = np.repeat(np.where(soaked & case.wet, 4.5, 1.0), 24)
    left = round(case.missing * len(down))
    while left > 0:
        p = odds * ~down
        at = int(rng.choice(len(down), p=p / p.sum()))
        span = slice(at, at + max(3, round(np.exp(rng.uniform(np.log(3), np.log(192))))))
        fresh = np.flatnonzero(~down[span])[:left] + at
        down[fresh] = True
        left -= len(fresh)
    return down


def recorded(rng: np.random.Generator, field: Field, case: Case, t: Floats) -> NDArray[np.bool_]:
    """Which closures gave a flux: (chambers, closures)."""
    kept = rng.random(t.shape) >= LOST_CLOSURES
    kept &= ~station_outages(rng, field, case)[np.floor(24 * t).astype(int)]
    if case.dead_chamber:
        dead = int(rng.integers(len(t)))
        kept[dead] &= t[dead] < field.given.weather.days * rng.uniform(0.3, 0.7)
    return np.asarray(kept)


def record(seed: int, case: Case, soil: str = "arable", days: int = 120) -> Record:
    """The season of a seed as a station records it; most cases share their seasons."""
    seed += case.seeds_on
    kind = SOILS[soil].inert() if case.null else SOILS[soil]
    field = season(seed, kind, days, case.blocks)
    t = closure_times(len(field.block), days)
    kept = recorded(np.random.default_rng([seed, 4]), field, case, t)
    rng = np.random.default_rng([seed, 5])
    true = field.flux(t)
    se = np.hypot(0.04, 0.04 * true) * rng.lognormal(0.0, 0.25, t.shape)
    seen = true + se * rng.normal(size=t.shape)
    given = field.given
    weather = given.weather
    nitrogen = dict(zip(TREATMENTS, (float(sum(kind.doses)), 0.0), strict=True))
    return Record(
        field=field,
        fluxes=_fluxes(field, t, seen, se, kept),
        weather=pd.DataFrame(
            {
                "rain_mm": weather.rain_mm,
                "air_temperature_c": np.round(_daily_temperature(field), 2),
            },
            index=pd.date_range(START - timedelta(LEAD), periods=LEAD + days, name="day"),
        ),
        events=pd.DataFrame(
            [
                (START + timedelta(int(given.at[e])), "fertilizer", TREATMENTS[0], amount)
                for e, amount in enumerate(given.dose[:, 0])
                if amount > 0
            ],
            columns=["day", "kind", "treatment", "amount"],
        ),
        start=START,
        end=START + timedelta(days - 1),
        nitrogen_kg_ha=nitrogen,
        truth=truth_of(field, nitrogen),
        seed=seed,
        recorded=kept,
    )


def _daily_temperature(field: Field) -> Floats:
    weather = field.given.weather
    hours = (np.arange(24 * (LEAD + weather.days)) + 0.5) / 24 - LEAD
    return np.asarray(weather.temperature(hours).reshape(-1, 24).mean(axis=1))


def _fluxes(
    field: Field, t: Floats, seen: Floats, se: Floats, kept: NDArray[np.bool_]
) -> pd.DataFrame:
    chamber, closure = np.nonzero(kept)
    positions = list(SHARES)
    plot = field.plot + 1
    names = np.array(
        [f"{p}{positions[i][0].upper()}" for p, i in zip(plot, field.position, strict=True)]
    )
    seconds = np.round(86400 * t[chamber, closure]).astype("int64")
    return pd.DataFrame(
        {
            "chamber": names[chamber],
            "plot": plot.astype(str)[chamber],
            "block": (field.block + 1).astype(str)[chamber],
            "treatment": np.array(TREATMENTS)[field.treatment[chamber]],
            "position": np.array(positions)[field.position[chamber]],
            "gas": "N2O",
            "mid_at": pd.Timestamp(START, tz="UTC") + pd.to_timedelta(seconds, unit="s"),
            "flux_nmol_m2_s": seen[kept],
            "flux_se_nmol_m2_s": se[kept],
            "sampling": "automatic",
        }
    )


def truth_of(field: Field, nitrogen: dict[str, float]) -> dict[str, Any]:
    """Plots, the mean of these plots, and what the treatments make of such a season."""
    plots = field.plot_totals()
    expected = field.given.expected()
    difference = float(expected[0] - expected[1])
    return {
        "plots": {str(k + 1): float(x) for k, x in enumerate(plots)},
        "these_plots": {name: float(plots[k::2].mean()) for k, name in enumerate(TREATMENTS)},
        "treatments": {name: float(expected[k]) for k, name in enumerate(TREATMENTS)},
        "difference": difference,
        "factor_percent": 100 * difference / (nitrogen["full"] - nitrogen["none"]),
    }


def interpolated_plots(made: Record) -> Floats:
    """kg N ha⁻¹ of each plot by straight lines between daily means, the plainest filling."""
    t = closure_times(*made.recorded.shape[:1], made.field.given.weather.days)
    seen = np.full(t.shape, np.nan)
    seen[made.recorded] = made.fluxes["flux_nmol_m2_s"]
    there = made.recorded.reshape(len(t), -1, A_DAY)
    sums = np.where(there, seen.reshape(there.shape), 0.0).sum(axis=2)
    days = np.arange(there.shape[1]) + 0.5
    edges = np.concatenate([[0.0], days, [days[-1] + 0.5]])
    totals = []
    for count, total in zip(there.sum(axis=2), sums, strict=True):
        has = count > 0
        line = np.interp(edges, days[has], total[has] / count[has])
        totals.append(np.trapezoid(line, edges))
    return made.field.by_plot(KG_N_HA * np.array(totals))


def write(made: Record, folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    fluxes = made.fluxes.assign(mid_at=made.fluxes["mid_at"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    fluxes.to_csv(folder / "fluxes.csv", index=False, float_format="%.6g")
    made.weather.to_csv(folder / "weather.csv")
    made.events.to_csv(folder / "events.csv", index=False)
    about = {
        "start": str(made.start),
        "end": str(made.end),
        "positions": SHARES,
        "nitrogen_kg_ha": made.nitrogen_kg_ha,
        "reference": REFERENCE,
    }
    text = json.dumps({**about, "truth_kg_n_ha": made.truth}, indent=2)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--soil", choices=SOILS, default="arable")
    parser.add_argument("--cases", nargs="+", choices=CASES, default=list(CASES))
    chosen = parser.parse_args()
    for seed in chosen.seeds:
        for name in chosen.cases:
            made = record(seed, CASES[name], chosen.soil)
            write(made, chosen.folder / str(seed) / name)
            print(seed, name, len(made.fluxes), made.truth["treatments"])


if __name__ == "__main__":
    main()
