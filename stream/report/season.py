"""The verb ``report``: a season on a few pages, as HTML and as PDF."""

import base64
import math
import tempfile
from collections.abc import Sequence
from contextlib import closing
from datetime import date
from pathlib import Path

from jinja2 import Environment, PackageLoader

from stream import __version__
from stream.columns import COLUMNS
from stream.field.days import ChamberDays, chamber_days, treatment_days
from stream.field.drivers import Correlation, correlations
from stream.field.season import GasSeason, SeasonTotals, season_calendar, season_rows, season_totals
from stream.field.series import flux_cells
from stream.field.weather import rain_mm
from stream.files import write_whole
from stream.note_kinds import EVENTS
from stream.report.methods import methods_paragraph
from stream.report.pages import PageFigure, PageTable, Report
from stream.report.pdf import write_pdf
from stream.report.pictures import season as draw
from stream.report.pictures.drivers import draw_drivers
from stream.science.field.season import DEFAULT_FACTOR, Amount
from stream.station import Station, StationFile
from stream.store import open_existing
from stream.store.station_data import StationData

_ELEMENT = {"N2O": "N₂O-N", "CH4": "CH₄-C", "CO2": "CO₂-C", "NH3": "NH₃-N", "NO": "NO-N"}


def write_report(
    file: StationFile, url: str, out: Path, first: date | None, last: date | None
) -> tuple[Path, Path]:
    """Write ``season-FIRST-LAST.html`` and ``.pdf``.

    Parameters
    ----------
    file : StationFile
        The station.
    url : str
        Of the database.
    out : Path
        Folder.
    first, last : date, optional
        Days at the station, both included; those of the season by default.

    Returns
    -------
    tuple of Path

    Raises
    ------
    CommandError
        There is no season, or nothing usable in it.
    LidstreamError
        A path cannot be written.
    """
    station = file.station
    days = season_calendar(station, first, last)
    with closing(open_existing(url)) as store:
        data = StationData.over(file, store)
        file = data.file
        station = file.station
        journal = data.journal
        totals = season_totals(station, data.flux_columns, journal, days)
        flags = [
            pair
            for cells in flux_cells(data.flux_columns, days.period).values()
            for pair in zip(cells["mid_us"].to_pylist(), cells["flags"].to_pylist(), strict=True)
        ]
        rain = rain_mm(station, journal, days, whole_field=True)
    report = _report(file, totals, draw.flag_counts(flags, days), rain)
    stem = f"season-{days.first}-{days.day(days.days - 1)}"
    html, pdf = out / f"{stem}.html", out / f"{stem}.pdf"
    environment = Environment(
        loader=PackageLoader("stream.report"), autoescape=True, trim_blocks=True
    )
    figures = [
        {"data": base64.b64encode(f.png).decode(), "caption": f.caption, "alt": f.alt}
        for f in report.figures
    ]
    page = environment.get_template("season.html").render(
        title=report.title,
        summary=report.summary,
        tables=report.tables,
        figures=figures,
        methods=report.methods,
        version=__version__,
        digest=report.digest,
    )
    write_whole(html, page)
    write_pdf(report, pdf)
    return html, pdf


def _report(
    file: StationFile,
    totals: SeasonTotals,
    flags: dict[str, draw.Floats],
    rain: dict[int, float],
) -> Report:
    station, days = file.station, totals.days
    chambers = [chamber_days(station, s, days) for s in totals.series]
    found = correlations(station, chambers, days, rain)
    name = station.station.name or station.id
    shares = [t.filled_share for g in totals.gases for t in g.treatments if not t.missing] or [0.0]
    summary = (
        f"{days.days} days, {len({s.chamber.id for s in totals.series})} automatic chambers,"
        f" {draw.measured(totals.series)} usable fluxes and"
        f" {sum(s.left_out for s in totals.series)} left out for their quality;"
        f" {100 * min(shares):.0f} to"
        f" {100 * max(shares):.0f} % of the time was filled. Totals are means over plots ± the"
        " standard error of the replicates, with a 90 % interval; positive from soil to air."
    )
    tables = [_totals_table(g) for g in totals.gases]
    others = (_factor_table(station, totals), _filling_table(totals), _driver_table(found))
    tables += [t for t in others if t.rows]
    return Report(
        title=f"{name}: {days.first} to {days.day(days.days - 1)}",
        summary=summary,
        tables=tuple(tables),
        figures=_figures(station, totals, chambers, flags, rain),
        methods=methods_paragraph(file, totals),
        digest=file.digest,
    )


def _number(value: float, digits: int = 3) -> str:
    if value != 0 and (abs(value) >= 1e5 or abs(value) < 1e-4):
        text = f"{value:.{digits}g}"
    else:
        places = max(0, digits - 1 - (math.floor(math.log10(abs(value))) if value else 0))
        text = f"{value:.{places}f}"
    return text.replace("-", "−")


def _amount(a: Amount) -> tuple[str, str]:
    return f"{_number(a.value)} ± {_number(a.se, 2)}", f"{_number(a.low)} to {_number(a.high)}"


def _totals_table(g: GasSeason) -> PageTable:
    rows = []
    for t in g.treatments:
        if t.missing:
            why = f"no flux at {', '.join(t.missing)}"
            rows.append((t.treatment, "no total", why, "–", "–"))
            continue
        plots = ", ".join(_number(p.total.value) for p in t.plots)
        rows.append((t.treatment, *_amount(t.total), plots, f"{100 * t.filled_share:.0f} %"))
    return PageTable(
        f"Season total, kg {_ELEMENT[g.gas]} ha⁻¹",
        ("treatment", "mean ± SE", "90 % interval", "plots", "filled"),
        tuple(rows),
    )


def _factor_table(station: Station, totals: SeasonTotals) -> PageTable:
    rows = []
    for r in season_rows(station, totals):
        if r["level"] != "treatment":
            continue
        warm = r.get("co2_equivalent_kg_ha")
        factor, crop = r.get("emission_factor_percent"), r.get("per_yield_kg_t")
        p = r.get("less_reference_p")
        less = r.get("less_reference_kg_ha")
        rows.append(
            (
                f"{r['gas']}, {r['treatment']}",
                "–" if warm is None else _number(warm),
                "–"
                if factor is None
                else f"{_number(factor)} ± {_number(r['emission_factor_se_percent'], 2)}",
                "–" if crop is None else _number(crop),
                "–" if less is None else f"{_number(less)} (p = {p:.3f})",
            )
        )
    low, high = DEFAULT_FACTOR["aggregated"][1:]
    gwp = station.season.gwp if station.season else "AR6"
    return PageTable(
        f"Factors. CO₂-equivalent by {gwp}; the IPCC's default emission factor (2019) is"
        f" 1.0 % ({low:g} to {high:g} %) over all climates",
        (
            "gas, treatment",
            "kg CO₂e ha⁻¹",
            "emission factor, %",
            "kg t⁻¹ of yield",
            "less reference, kg ha⁻¹",
        ),
        tuple(rows) if station.season is not None else (),
    )


def _filling_table(totals: SeasonTotals) -> PageTable:
    rows = [
        (
            f"{g.gas}, {s.method}" + (" (taken)" if s.method == g.filled.method else ""),
            str(s.gaps),
            _number(s.bias, 2),
            _number(s.rmse, 2),
        )
        for g in totals.gases
        for s in g.filled.scores
        if s.gaps
    ]
    return PageTable(
        "Filling of gaps, scored on hidden stretches, nmol m⁻² s⁻¹",
        ("gas, way", "stretches", "bias", "root-mean-square error"),
        tuple(rows),
    )


def _driver_table(found: Sequence[Correlation]) -> PageTable:
    names = list(dict.fromkeys(g.driver for g in found))
    rows = []
    for gas, treatment in dict.fromkeys((g.gas, g.treatment) for g in found):
        mine = {g.driver: g for g in found if (g.gas, g.treatment) == (gas, treatment)}
        cells = [f"{mine[n].rho:+.2f}".replace("-", "−") if n in mine else "–" for n in names]
        rows.append((f"{gas}, {treatment}", *cells))
    return PageTable(
        "Drivers: rank correlation of daily fluxes; days in a row are not independent",
        ("gas, treatment", *(COLUMNS[n].heading for n in names)),
        tuple(rows),
    )


def _figures(
    station: Station,
    totals: SeasonTotals,
    chambers: Sequence[ChamberDays],
    flags: dict[str, draw.Floats],
    rain: dict[int, float],
) -> tuple[PageFigure, ...]:
    days = totals.days
    treatments = treatment_days(station, chambers, days)
    marks = "letters above: " + ", ".join(f"{kind.mark} {kind.name}" for kind in EVENTS)
    plates: list[PageFigure] = []
    with tempfile.TemporaryDirectory() as folder:

        def plate(path: Path, caption: str, alt: str) -> None:
            plates.append(PageFigure(path.read_bytes(), caption, alt))

        path = Path(folder) / "figure.png"
        draw.draw_series(path, station, days, treatments)
        plate(
            path,
            f"Daily means by treatment, shaded by the standard error of the replicates; {marks}.",
            "Daily fluxes of each gas over the season, a line for each treatment.",
        )
        draw.draw_cumulative(path, station, totals)
        plate(
            path,
            "Cumulative emission, gaps filled. Shading: range of the plots; bars: 90 % interval"
            " of the season's total.",
            "Cumulative emission of each gas over the season, a line for each treatment.",
        )
        draw.draw_diel(path, station, totals)
        plate(
            path,
            "Median course over the hours of the day, over the daily mean, of the chambers of"
            " each treatment.",
            "Fluxes by hour of the day over their daily mean.",
        )
        if draw_drivers(path, station, chambers, days, rain):
            plate(
                path,
                "Daily fluxes of chambers over what may drive them, over each chamber's mean.",
                "Daily fluxes against what may drive them, such as soil temperature and water.",
            )
        for g in totals.gases:
            draw.draw_coverage(path, g, days)
            plate(
                path,
                f"{g.gas}: what was measured, a row a chamber; white is a gap.",
                f"Calendar of measured and missing {g.gas} fluxes of each chamber.",
            )
        draw.draw_flags(path, flags, days)
        plate(
            path,
            "The most frequent flags, with how many fluxes bore them; larger marks, more that day.",
            "Days on which each flag was raised.",
        )
    return tuple(plates)
