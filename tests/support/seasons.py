"""Simulated seasons of known totals, with gaps as they occur, for tests of the field."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

from stream.field.series import Calendar, FluxSeries, calendar
from stream.station import Station, load_station

FIRST, LAST = date(2026, 1, 5), date(2026, 4, 14)
POSITIONS = {"ridge": 0.20, "furrow": 0.65, "tramline": 0.15}


def station_text(
    treatments: tuple[str, ...] = ("split_rate", "unfertilized"), blocks: int = 2
) -> str:
    """Three positions in each plot, a plot a treatment and block, one analyzer."""
    lines = [
        '[station]\nid = "small"\ntimezone = "Pacific/Guam"\nclock = "+10:00"',
        '[channels.n2o]\nunit = "nmol/mol"',
        '[channels.t]\nunit = "degC"',
        '[channels.rain]\nunit = "mm"',
    ]
    chambers = []
    n = 0
    for block in range(1, blocks + 1):
        for treatment in treatments:
            n += 1
            for k, position in enumerate(POSITIONS, 1):
                name = f"{'ABCDEFGH'[n - 1]}{k}"
                lines.append(f'[channels.lid_{name.lower()}]\nunit = "1"')
                chambers.append(
                    f'[[chambers]]\nid = "{name}"\nanalyzer = "laser"\n'
                    f'lid_channel = "lid_{name.lower()}"\narea_m2 = 0.25\n'
                    f'air_temperature_channel = "t"\nplot = "{n}"\nblock = "{block}"\n'
                    f'treatment = "{treatment}"\nposition = "{position}"\n'
                    'heights = [{ from = "2026-01-01T00:00:00+10:00", height_m = 0.15 }]'
                )
    lines.append('[[analyzers]]\nid = "laser"\ngases = { N2O = "n2o" }\nbasis = "dry"')
    lines += chambers
    lines.append("[closure]\nexpected_per_day = 8")
    shares = ", ".join(f"{k} = {v}" for k, v in POSITIONS.items())
    lines.append(f"[field]\npositions = {{ {shares} }}")
    lines.append(
        f'[season]\nstart = "{FIRST}"\nend = "{LAST}"\n'
        "nitrogen_kg_ha = { split_rate = 160.0, unfertilized = 0.0 }\n"
        'reference = "unfertilized"\nyield_t_ha = { split_rate = 9.1, unfertilized = 5.6 }'
    )
    lines.append('[weather]\nrain_channel = "rain"')
    for day, kind in ((12, "rain"), (33, "rain"), (54, "rain"), (70, "irrigation"), (84, "rain")):
        when = date.fromordinal(FIRST.toordinal() + day)
        lines.append(f'[[events]]\nkind = "{kind}"\nday = "{when}"\namount = 22.0')
    for day in (10, 50):
        when = date.fromordinal(FIRST.toordinal() + day)
        lines.append(
            f'[[events]]\nkind = "fertilizer"\nday = "{when}"\namount = 80.0\n'
            'treatment = "split_rate"'
        )
    return "\n".join(lines) + "\n"


def load(folder: Path, text: str) -> Station:
    path = folder / "season.toml"
    path.write_text(text)
    return load_station(path).station


def season(
    station: Station, seed: int, missing: float = 0.2
) -> tuple[Calendar, list[FluxSeries], dict[str, float]]:
    """Series with gaps, and the true total of each plot [nmol m⁻² s⁻¹ h].

    Emission has a base that follows temperature, pulses after rain and fertilizer that
    differ between chambers, and noise; outages strike the station, one chamber, or single
    closures, and more often around rain.
    """
    rng = np.random.default_rng(seed)
    days = calendar(station, FIRST, LAST)
    fine = np.arange(0.0, 24.0 * days.days, 0.25) + 0.125
    wet = [days.index(e.day) for e in station.events if e.kind in {"rain", "irrigation"}]
    fed = [days.index(e.day) for e in station.events if e.kind == "fertilizer"]
    soil = 22 + 4 * np.cos(2 * np.pi * (fine / 24 - 15 / 24)) - 0.03 * fine / 24
    moist = np.full(len(fine), 0.35)
    for day in wet:
        since = fine / 24 - day - 0.5
        moist += np.where(since > 0, 0.35 * np.exp(-np.maximum(since, 0) / 5), 0)
    down = np.zeros(len(fine), dtype=bool)
    while down.mean() < 0.55 * missing:
        at = (
            rng.choice(wet) * 24.0 + rng.normal(20, 15)
            if rng.random() < 0.3
            else rng.uniform(0, fine[-1])
        )
        down |= (fine >= at) & (fine < at + 24 * rng.lognormal(0.4, 0.8))
    size = {"ridge": 0.9, "furrow": 0.2, "tramline": 0.5}
    found, totals = [], {}
    for c in station.chambers:
        fed_here = c.treatment == "split_rate"
        level = size[c.position] * rng.lognormal(0, 0.25)
        flux = 0.3 * level * 2.2 ** ((soil - 22) / 10) * (0.5 + moist)
        for day in wet + (fed if fed_here else []):
            since = fine / 24 - day - rng.uniform(0.5, 0.9)
            strength = level * rng.lognormal(1.2 if fed_here else 0.2, 0.35)
            width = rng.uniform(1.2, 2.4)
            pulse = np.maximum(since, 0) / width * np.exp(1 - np.maximum(since, 0) / width)
            flux = flux + strength * pulse * 1.5 ** ((soil - 22) / 10)
        share = POSITIONS[c.position]
        totals[c.plot] = totals.get(c.plot, 0.0) + share * float(flux.sum()) * 0.25
        own = down.copy()
        while own.mean() < 0.85 * missing:
            at = rng.uniform(0, fine[-1])
            own |= (fine >= at) & (fine < at + 24 * rng.lognormal(-0.2, 0.9))
        t = np.arange(0.3, 24.0 * days.days, 3.0) + rng.uniform(0, 2.5)
        keep = ~own[np.minimum((t / 0.25).astype(int), len(own) - 1)] & (rng.random(len(t)) > 0.03)
        t = t[keep]
        common = 0.02
        scale = 1 + common * rng.standard_normal()
        true = np.interp(t, fine, flux)
        fit_se = 0.02 + 0.03 * np.abs(true)
        measured = scale * true + fit_se * rng.standard_normal(len(t))
        found.append(
            FluxSeries(
                chamber=c,
                gas="N2O",
                t_h=t,
                flux=measured,
                fit_se=fit_se,
                common_se=common * np.abs(measured),
                temperature_c=np.interp(t, fine, soil),
                moisture=np.interp(t, fine, moist),
                wfps=np.full(len(t), np.nan),
                left_out=0,
            )
        )
    return days, found, totals


def without(series: FluxSeries, drop: np.ndarray) -> FluxSeries:
    """A series without some of its fluxes."""
    keep = ~drop
    names = ("t_h", "flux", "fit_se", "common_se", "temperature_c", "moisture", "wfps")
    return replace(series, **{n: getattr(series, n)[keep] for n in names})
