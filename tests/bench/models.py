"""All models on simulated closures of known slope: bias, spread, coverage, wrong choices.

    python tests/bench/models.py        # prints the tables of METHODS.md
    python tests/bench/models.py --plots stream/science      # and draws them

Each cell: median bias ± spread (half of the central 68 %) of the initial slope, and how
many of its 95 % intervals cover, all in per cent; of the fits that stand, where at least
half do. Truths: a line, saturating curves, diffusive curves; strengths in units of the detection
limit; three kinds of closure. Seeds are fixed.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import numpy as np
from scipy import special
from scipy.signal import lfilter

from stream.report.pictures.style import BLUE, GREY, OCHRE, picture
from stream.science.models import MODELS
from stream.science.models.choice import choose
from stream.science.models.fit import Segments

CANDIDATES = ("linear", "quadratic", "saturating")
MANY = 1000


@dataclass(frozen=True)
class Closure:
    """One kind of closure: times [s], noise of a point, its correlation, whether it is known."""

    name: str
    t: np.ndarray
    sigma: float
    rho: float
    known: bool


CLOSURES = (
    Closure("600 s at 1 Hz, white noise", np.arange(30.0, 630.0), 0.3, 0.0, False),
    Closure("600 s at 1 Hz, red noise (ρ = 0.8)", np.arange(30.0, 630.0), 0.3, 0.8, False),
    Closure("180 s at 1 Hz, white noise", np.arange(30.0, 210.0), 0.3, 0.0, False),
    Closure("3600 s, six visits", np.linspace(200.0, 3500.0, 6), 0.1, 0.0, True),
    Closure("3600 s, four vials", np.linspace(0.0, 3600.0, 4), 1.0, 0.0, True),
    Closure("3600 s, three vials", np.linspace(0.0, 3600.0, 3), 1.0, 0.0, True),
)
TRUTHS = (
    ("line", 0.0),
    ("saturating, kT = 0.5", 0.5),
    ("saturating, kT = 1.5", 1.5),
    ("diffusive, √(T/τ) = 0.7", 0.7),
)
STRENGTHS = (3.0, 30.0, 300.0)


def shape(truth: str, bend: float, t: np.ndarray) -> np.ndarray:
    """Growth for a slope of one [s]."""
    end = t[-1]
    if truth.startswith("saturating"):
        return -np.expm1(-bend * t / end) * end / bend
    if truth.startswith("diffusive"):
        z = bend * np.sqrt(t / end)
        return (2 * z / np.sqrt(np.pi) + special.erfcx(z) - 1) * end / bend**2
    return t


def simulate(c: Closure, truth: str, bend: float, strength: float, seed: int) -> dict[str, object]:
    """Slopes over the truth of every model and of the choice, and what was chosen."""
    rng = np.random.default_rng(seed)
    n = len(c.t)
    noise = rng.standard_normal((MANY, n + 100))
    if c.rho:
        noise = lfilter([np.sqrt(1 - c.rho**2)], [1, -c.rho], noise, axis=1)
    noise = noise[:, 100:] * c.sigma
    wide = np.sqrt((1 + c.rho) / (1 - c.rho))
    slope = strength * 1.96 * wide * c.sigma / np.sqrt(np.sum((c.t - c.t.mean()) ** 2))
    y = 330.0 + slope * shape(truth, bend, c.t) + noise
    weight = np.full(MANY * n, c.sigma**-2.0 if c.known else 1.0)
    segments = Segments(np.tile(c.t, MANY), y.ravel(), weight, np.arange(MANY + 1) * n, c.known)
    fits = {name: MODELS[name].fit(segments) for name in MODELS}
    picked = choose(
        {name: fits[name] for name in CANDIDATES},
        np.full(MANY, c.t[-1] - c.t[0]),
        np.full(MANY, c.t[0]),
        known_variance=c.known,
    )
    found = {
        name: (np.where(fit.ok, fit.slope, np.nan) / slope, fit.slope_se / slope)
        for name, fit in fits.items()
    }
    found["auto"] = (picked.slope / slope, picked.slope_se / slope)
    curved = np.array([not MODELS[picked.models[j]].straight for j in picked.chosen])
    return {"slopes": found, "curved": float(np.mean(curved))}


def figures(
    c: Closure, truth: str, bend: float, strength: float
) -> tuple[dict[str, tuple[float, ...]], float]:
    """Model → median bias, its central 68 % and coverage [%], of models that mostly stand;
    and the share of closures that the choice bends.
    """
    result = simulate(c, truth, bend, strength, seed=5)
    found = {}
    for name, (ratio, error) in result["slopes"].items():  # type: ignore[attr-defined]
        good = np.isfinite(ratio) & np.isfinite(error)
        if good.mean() >= 0.5:
            low, middle, high = 100 * (np.percentile(ratio[good], [16, 50, 84]) - 1)
            cover = 100 * np.mean(np.abs(ratio[good] - 1) < 1.96 * error[good])
            found[name] = (middle, low, high, cover)
    return found, float(result["curved"])  # type: ignore[arg-type]


LINES = {
    "auto": ("black", "-", "o", "automatic choice"),
    "linear": (BLUE, "--", "s", "linear"),
    "quadratic": (GREY, "-.", "^", "quadratic"),
    "saturating": (OCHRE, "-", "D", "saturating"),
    "diffusive": ("#5f3a8c", ":", "v", "diffusive"),
}


def draw(folder: Path) -> None:
    """Bias and coverage over the strength of the flux, a column a kind of closure."""
    strengths = (2.0, 3.0, 5.0, 10.0, 30.0, 100.0, 300.0)
    kinds = [CLOSURES[i] for i in (0, 3, 4, 5)]
    for what in ("bias", "coverage"):
        path = folder / f"models-{what}.png"
        with picture(path, len(TRUTHS), len(kinds), 10.5, 9.5) as axes:
            for row, (truth, bend) in enumerate(TRUTHS):
                for column, c in enumerate(kinds):
                    axis = axes[row * len(kinds) + column]
                    got = [figures(c, truth, bend, s)[0] for s in strengths]
                    for name, (colour, style, marker, label) in LINES.items():
                        at = [i for i, g in enumerate(got) if name in g]
                        x = [strengths[i] for i in at]
                        place = 0 if what == "bias" else 3
                        y = [got[i][name][place] for i in at]
                        axis.plot(
                            x, y, style, color=colour, marker=marker, ms=3.5, mfc="white",
                            lw=1.2, label=label,
                        )  # fmt: skip
                        if what == "bias" and name == "auto":
                            band = [[got[i][name][k] for i in at] for k in (1, 2)]
                            axis.fill_between(x, *band, color="black", alpha=0.12, lw=0)
                    axis.set_xscale("log")
                    axis.axhline(0.0 if what == "bias" else 95.0, color="black", lw=0.6)
                    axis.set_ylim(*((-70, 70) if what == "bias" else (-3, 103)))
                    axis.set_title(c.name if row == 0 else "", fontsize=9)
                    if column == 0:
                        axis.set_ylabel(f"{truth}\n{what} [%]")
                    if row == len(TRUTHS) - 1:
                        axis.set_xlabel("flux / detection limit")
            axes[0].legend(fontsize=7)
        print(path)


def main() -> int:
    """Print one table for each kind of closure."""
    if "--plots" in sys.argv:
        draw(Path(sys.argv[sys.argv.index("--plots") + 1]))
        return 0
    columns = ("auto", *MODELS)
    for c in CLOSURES:
        print(f"\n**{c.name}**\n")
        print(
            "| truth | flux / detection limit | "
            + " | ".join(f"`{m}`" if m != "auto" else "automatic choice" for m in columns)
            + " | curve chosen |"
        )
        print("| --- | --- | " + " | ".join("---" for _ in columns) + " | --- |")
        for truth, bend in TRUTHS:
            for strength in STRENGTHS:
                found, share = figures(c, truth, bend, strength)
                cells = []
                for name in columns:
                    if name not in found:
                        cells.append("–")
                        continue
                    middle, low, high, cover = found[name]
                    cells.append(f"{middle:+.0f} ± {(high - low) / 2:.0f}, {cover:.0f}")
                text = " | ".join(cells)
                print(f"| {truth} | {strength:g} | {text} | {100 * share:.0f} % |")
    return 0


if __name__ == "__main__":
    sys.exit(main())
