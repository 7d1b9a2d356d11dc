"""The paragraph for a paper's methods section, from the station file and the version."""

from stream import __version__
from stream.field.season import SeasonTotals
from stream.science.models import MODELS
from stream.station import StationFile, gases_of

_FILLING = {
    "linear": "straight lines between neighbouring fluxes",
    "lookup": "the median of like hours in like soil nearby in time",
    "regression": "boosted regression trees on neighbouring fluxes, hour, soil temperature, soil"
    " moisture and days since rain and fertilizer",
}


def methods_paragraph(file: StationFile, totals: SeasonTotals | None = None) -> str:
    """Say how fluxes, and season totals where they are given, were made.

    Parameters
    ----------
    file : StationFile
        The station.
    totals : SeasonTotals, optional
        The season.

    Returns
    -------
    str
        A few sentences that name every setting that bears on a number.
    """
    s = file.station
    automatic = [c for c in s.chambers if s.analyzer(c.analyzer).sampling != "vials"]
    gases = list(gases_of(s))
    shared = any(a.shared for a in s.analyzers)
    areas = sorted({c.area_m2 for c in automatic})
    size = f"{areas[0]:g}" if len(areas) == 1 else f"{areas[0]:g} to {areas[-1]:g}"
    wet = any(a.basis == "wet" for a in s.analyzers)
    sentences = [
        f"Fluxes of {_listed(gases)} were measured with {len(automatic)} automatic chambers of"
        f" {size} m² at {s.station.name or s.id}"
        + (
            ", whose headspaces a port selector connected in turn to one analyzer."
            if shared
            else ", each closed on its analyzer line by itself."
        ),
        "Mole fractions were made dry sample by sample with the water vapour measured beside them."
        if wet
        else "Mole fractions were recorded dry.",
        f"The first {s.closure.dead_band_s:g} s after closing were left out, and closures shorter"
        f" than {s.closure.min_duration_s:g} s were not used.",
        f"Accumulation was fitted by {_listed([MODELS[m].label for m in s.models.candidates])}"
        + (
            "; a curve was taken over the line where Akaike's criterion preferred it and its"
            " curvature could be resolved"
            if s.models.default == "auto"
            else f", and {MODELS[s.models.default].label} was taken"
        )
        + ", and the rate of change at the moment of closing was turned into a flux with"
        " headspace height, temperature and pressure.",
        "Standard errors allow for autocorrelated noise, the doubt about the model, and the"
        f" uncertainty of height ({s.uncertainty.height_m * 1000:g} mm), temperature and pressure;"
        " fluxes below their detection limit were kept as measured.",
    ]
    if any(a.standards for a in s.analyzers):
        sentences.append("Analyzers were calibrated by standard gases between the measurements.")
    if s.models.chamber_bias == "soil_storage":
        sentences.append("Fluxes were raised by what the soil stores while a lid is closed.")
    if totals is not None:
        sentences += _season(file, totals)
    sentences.append(
        f"All steps were done with lidstream {__version__} (station file {file.digest})."
    )
    return " ".join(sentences)


def _season(file: StationFile, totals: SeasonTotals) -> list[str]:
    s, days = file.station, totals.days
    ways = list(dict.fromkeys(g.filled.method for g in totals.gases))
    shares = [t.filled_share for g in totals.gases for t in g.treatments]
    found = [
        f"Season totals are from {days.first} to {days.day(days.days - 1)}; fluxes of quality"
        f" {s.field.max_quality} or better count."
    ]
    if s.field.positions:
        parts = [f"{name} {share:g}" for name, share in s.field.positions.items()]
        found.append(f"Positions were weighted by their share of the area ({', '.join(parts)}).")
    found.append(
        f"Gaps ({100 * min(shares):.0f} to {100 * max(shares):.0f} % of the time) were filled by"
        f" {' and '.join(_FILLING[w] for w in ways)}, scored on hidden stretches of the lengths"
        " that occurred; intervals of plots are drawn from the errors of those."
    )
    if s.season is not None:
        found.append(
            f"CO₂-equivalents use the warming potentials over a hundred years of {s.season.gwp}."
        )
    return found


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
