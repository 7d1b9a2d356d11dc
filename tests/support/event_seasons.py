"""Seasons of N2O flux made event by event, whose totals are known, to judge season totals by.

Nothing here is fitted and nothing is an autoregression or a Gaussian process. What a season is
given (weather, doses, which rains set off a pulse and how strongly at the whole site) stands in
``Given``; what differs between blocks, plots, chambers and their answers to each event stands in
``Field``. A flux is

    Q10(t) · (background + Σ peak · kernel(t − onset)) + a slow zero-mean wander,

with a pulse for every rain above a random threshold, every dose and some moments that no
weather tells. Times are days since the season's first midnight (UTC).
"""

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product

import numpy as np
from event_weather import LEAD, Floats, Ints, Weather, draw_weather
from scipy.special import ndtr, roots_jacobi

TREATMENTS = ("full", "none")
SHARES = {"ridge": 0.55, "furrow": 0.35, "tramline": 0.10}
KG_N_HA = 1e-9 * 86400 * 2 * 14.0067 * 10
"""kg N ha⁻¹ in one nmol N2O m⁻² s⁻¹ kept up for a day."""

POSITION_PULSE = np.array([0.8, 1.15, 1.7])
POSITION_UPTAKE = np.array([1.0, 1.0, 0.4])
RISE_FACTORS = (0.75, 1.0, 1.3)
DECAY_FACTORS = (0.7, 0.85, 1.0, 1.2, 1.45)
SHAPES = np.array(list(product(RISE_FACTORS, DECAY_FACTORS)))
"""What a chamber's own pulse may be stretched by, all alike probable: (rise, decay)."""

WINDOW = 60.0
"""Days after which a pulse is over."""

BETA = (3.0, 2.0)
HARDLY = 0.08
"""A chamber answers an event (1) or hardly; how often, is a Beta variate of the chamber."""

SUSCEPTIBLE = (1.5, 1 / 1.5)
"""Shape and scale of how strongly a chamber answers an event; the mean is 1."""

STRENGTH_SPREAD = 0.6
BLOCK_ANSWER_SPREAD = 0.3
THRESHOLD_MM, THRESHOLD_SPREAD = 6.0, 0.4


@dataclass(frozen=True)
class Soil:
    """A kind of soil; peaks are nmol m⁻² s⁻¹ at 14 °C and 50 kg ha⁻¹ of mineral N."""

    background: float
    rain_peak: float
    dose_peak: float
    site_moment_peak: float
    own_moment_peak: float
    own_moment_decay: float
    own_moments_a_day: float
    mineral_n: float
    mineralized_a_day: float
    doses: tuple[float, ...]
    acts: bool = True
    """Whether the dose does anything: without it both treatments are one process."""

    def inert(self) -> "Soil":
        """Richer by itself, its doses without effect: a true null of the contrast."""
        return replace(self, acts=False, mineral_n=45.0, mineralized_a_day=1.2)


SOILS = {
    "arable": Soil(0.15, 4.5, 2.0, 3.5, 3.0, 2.5, 0.006, 22.0, 0.55, (60.0, 60.0)),
    "pasture": Soil(0.40, 1.3, 1.8, 1.5, 16.0, 9.0, 0.0025, 30.0, 0.9, (40.0, 40.0, 40.0)),
}
SITE_MOMENTS_A_DAY = 2.0 / 120


def kernel(lag: Floats, rise: Floats, decay: Floats) -> Floats:
    """A gamma pulse, 1 at ``rise`` days after its onset, decaying at last as exp(−t/decay)."""
    inside = (lag > 0) & (lag < WINDOW)
    at = np.where(inside, lag, 1.0)
    return np.where(inside, np.exp(rise / decay * np.log(at / rise) - (at - rise) / decay), 0.0)


def shaped(lag: Floats, rise: float, decay: float) -> Floats:
    """The kernel in each of ``SHAPES``: (shapes, lags)."""
    r, d = rise * SHAPES[:, :1], decay * SHAPES[:, 1:]
    return kernel(lag[None, :], r, d)


@dataclass(frozen=True)
class Given:
    """A season as the whole site shares it; arrays run over events in order of time."""

    soil: Soil
    weather: Weather
    at: Floats
    kind: tuple[str, ...]
    plain: Floats
    """Peak that weather or dose alone would give."""
    chance: Floats
    """Probability that it sets off a pulse at all."""
    strength: Floats
    """What the site made of it: 0 without a pulse."""
    rise: Floats
    decay: Floats
    dose: Floats
    """kg ha⁻¹ given at this event, (events, treatments)."""
    keep: Floats
    """Share of mineral N kept since the event before, (events, positions)."""
    grown: Floats
    """Mineral N that came since, (events, positions)."""

    @cached_property
    def hours(self) -> Floats:
        """Middles of the season's hours."""
        return (np.arange(24 * self.weather.days) + 0.5) / 24

    @cached_property
    def peak(self) -> Floats:
        """Peak of a pulse in each treatment, (events, treatments)."""
        peak = np.repeat((self.plain * self.strength)[:, None], 2, axis=1)
        doses = np.array([k == "dose" for k in self.kind])
        peak[doses] *= (self.dose[doses] > 0) & self.soil.acts
        return peak

    @cached_property
    def spent(self) -> Floats:
        """Share of mineral N that a full answer to the event uses up, as ``peak``."""
        return np.asarray(0.3 * -np.expm1(-self.peak / 6.0))

    def nitrogen_answers(self, treatment: Ints, position: Ints, answer: Floats) -> Floats:
        """Mineral N (in units of 50 kg ha⁻¹) times answer at each event: (units, events).

        Linear in each answer, so that expectations may be put in for independent answers.
        """
        n = np.full(len(treatment), self.soil.mineral_n)
        found = np.empty(answer.shape)
        for e in range(len(self.at)):
            n = n * self.keep[e, position] + self.grown[e, position]
            if self.soil.acts:
                n = n + self.dose[e, treatment]
            found[:, e] = n / 50 * answer[:, e]
            n = n * (1 - self.spent[e, treatment] * answer[:, e])
        return found

    def expected(self) -> Floats:
        """kg N ha⁻¹ of each treatment over all blocks, plots, chambers and answers.

        Every factor of a peak but answer and mineral N is independent with mean 1. Those two
        are linked by how often a chamber answers: a Gauss–Jacobi rule over that Beta variate,
        exact for polynomials up to degree 95.
        """
        x, w = roots_jacobi(48, BETA[1] - 1, BETA[0] - 1)
        often, w = (x + 1) / 2, w / w.sum()
        answer = np.tile((often + HARDLY * (1 - often))[:, None], len(self.at))
        days = self.pulse_days(self.weather.warmth(self.hours)) / 24
        totals = []
        for k in range(len(TREATMENTS)):
            total = self.steady_and_own()
            for i, share in enumerate(SHARES.values()):
                units = np.full(len(w), k), np.full(len(w), i)
                mean = w @ self.nitrogen_answers(*units, answer)
                total += share * POSITION_PULSE[i] * float(mean @ (self.peak[:, k] * days))
            totals.append(KG_N_HA * total)
        return np.array(totals)

    def pulse_days(self, weight: Floats) -> Floats:
        """Σ over hours of weight × mean kernel of each event; weight is (hours,)."""
        found = np.zeros(len(self.at))
        for e in np.flatnonzero(self.strength):
            lag = self.hours - self.at[e]
            found[e] = shaped(lag, self.rise[e], self.decay[e]).mean(axis=0) @ weight
        return found

    def steady_and_own(self) -> float:
        """Background and chambers' own moments expected over the season [nmol m⁻² s⁻¹ d]."""
        warmth = self.weather.warmth(self.hours) / 24
        fine = (np.arange(int(WINDOW * 96)) + 0.5) / 96
        so_far = np.cumsum(shaped(fine, 1.0, self.soil.own_moment_decay).mean(axis=0)) / 96
        reached = np.interp(self.hours + LEAD, fine + 0.5 / 96, so_far)
        own = self.soil.own_moments_a_day * self.soil.own_moment_peak * reached
        return float(warmth @ (self.soil.background + own))


def draw_given(rng: np.random.Generator, weather: Weather, soil: Soil) -> Given:
    """What the site makes of a season's weather, its doses and moments that nothing tells."""
    rain, rain_at = weather.rain_mm, weather.rain_at
    rows = []
    wet = np.flatnonzero(rain >= 1)
    for day in wet:
        dry = np.argmax(rain[:day][::-1] >= 1) if (rain[:day] >= 1).any() else day
        plain = soil.rain_peak * rain[day] / (rain[day] + 15)
        plain *= 0.6 + 0.8 * -np.expm1(-dry / 4)
        chance = ndtr(np.log(rain[day] / THRESHOLD_MM) / THRESHOLD_SPREAD)
        rows.append((rain_at[day], "rain", plain, chance, 1.5 + 2.5 * rain[day] / 40, 0.0))
    gap = 0.7 * weather.days / (len(soil.doses) + 1)
    for k, amount in enumerate(soil.doses):
        day = np.floor((k + 0.5) * gap + rng.uniform(-5, 5)) + 10 / 24
        rows.append((max(day, 1 + 10 / 24), "dose", soil.dose_peak, 1.0, 4.0, amount))
    for _ in range(rng.poisson(SITE_MOMENTS_A_DAY * (LEAD + weather.days))):
        at = rng.uniform(-LEAD, weather.days)
        rows.append((at, "moment", soil.site_moment_peak, 1.0, 2.5, 0.0))
    rows.sort(key=lambda row: row[0])
    at, kind, plain, chance, decay, amount = (np.array(c) for c in zip(*rows, strict=True))
    struck = rng.random(len(at)) < chance
    rise = rng.uniform(0.7, 1.5, len(at)) * np.where(kind == "dose", 1.3, 1.0)
    keep, grown = _mineral(weather, soil, at)
    return Given(
        soil=soil,
        weather=weather,
        at=at,
        kind=tuple(kind.tolist()),
        plain=plain,
        chance=chance,
        strength=struck * mean_one(rng, STRENGTH_SPREAD, len(at)),
        rise=rise,
        decay=np.minimum(decay, 5.0),
        dose=np.column_stack([amount, 0 * amount]),
        keep=keep,
        grown=grown,
    )


def _mineral(weather: Weather, soil: Soil, at: Floats) -> tuple[Floats, Floats]:
    """Between events plants take mineral N, the more the season is on, and soil makes some."""
    t = (np.arange(24 * (LEAD + weather.days)) + 0.5) / 24 - LEAD
    rate = 0.012 + 0.04 / (1 + np.exp(-(t - 30) / 8))
    ends = t + 0.5 / 24
    keep, grown = np.ones((len(at), 3)), np.zeros((len(at), 3))
    for i, much in enumerate(POSITION_UPTAKE):
        taken = np.cumsum(rate * much) / 24
        made = np.cumsum(soil.mineralized_a_day * weather.warmth(t) * np.exp(taken)) / 24
        taken_at = np.interp(at, ends, taken, left=0.0)
        made_at = np.interp(at, ends, made, left=0.0)
        keep[:, i] = np.exp(-np.diff(taken_at, prepend=0.0))
        grown[:, i] = np.exp(-taken_at) * np.diff(made_at, prepend=0.0)
    return keep, grown


def mean_one(rng: np.random.Generator, spread: float, size: int | tuple[int, ...]) -> Floats:
    """Lognormal variates of mean 1."""
    return np.asarray(rng.lognormal(-(spread**2) / 2, spread, size))


@dataclass(frozen=True)
class Field:
    """Blocks × treatments × positions of chambers, and how each answered each event."""

    given: Given
    block: Ints
    treatment: Ints
    position: Ints
    often: Floats
    """How often a chamber answers."""
    steady: Floats
    """Background of each chamber."""
    scale: Floats
    """Block, plot, chamber and position in one factor of each chamber's pulses."""
    mineral: Floats
    """Mineral N before each event, in units of 50 kg ha⁻¹, (chambers, events)."""
    block_answer: Floats
    """What each block made of each event, (blocks, events)."""
    peak: Floats
    """(chambers, events)"""
    shape: Ints
    """Row of ``SHAPES``, (chambers, events)."""
    own: tuple[tuple[int, float, float, int], ...]
    """Moments of single chambers: chamber, onset, peak, row of ``SHAPES``."""
    wander_at: Floats
    wander: Floats

    @property
    def plot(self) -> Ints:
        return 2 * self.block + self.treatment

    def flux(self, t: Floats) -> Floats:
        """True flux [nmol m⁻² s⁻¹] at times (1 or chambers, n), rising along each row."""
        given = self.given
        low, high = t.min(axis=0), t.max(axis=0)
        pulses = np.repeat(self.steady[:, None], t.shape[1], axis=1)
        for e in np.flatnonzero(given.strength):
            first, past = (
                np.searchsorted(high, at := given.at[e]),
                np.searchsorted(low, at + WINDOW),
            )
            span = slice(int(first), int(past))
            rise, decay = (SHAPES[self.shape[:, e]] * (given.rise[e], given.decay[e])).T
            lag = t[:, span] - at
            pulses[:, span] += self.peak[:, e, None] * kernel(lag, rise[:, None], decay[:, None])
        for c, at, peak, shape in self.own:
            rise, decay = SHAPES[shape] * (1.0, given.soil.own_moment_decay)
            pulses[c] += peak * kernel(t[c % len(t)] - at, rise, decay)
        rows = np.broadcast_to(t, pulses.shape)
        drift = [np.interp(x, self.wander_at, y) for x, y in zip(rows, self.wander, strict=True)]
        return np.asarray(given.weather.warmth(t) * pulses + np.array(drift))

    @cached_property
    def hourly(self) -> Floats:
        """True flux in the middle of each hour, (chambers, hours)."""
        return self.flux(self.given.hours[None, :])

    def plot_totals(self) -> Floats:
        """kg N ha⁻¹ of each plot, as its chambers truly emitted, by area."""
        return self.by_plot(KG_N_HA / 24 * self.hourly.sum(axis=1))

    def by_plot(self, of_chambers: Floats) -> Floats:
        """Area-weighted sums over each plot's chambers; chambers are the last axis."""
        of_plots = of_chambers.reshape(*of_chambers.shape[:-1], -1, len(SHARES))
        return np.asarray(of_plots @ np.array(list(SHARES.values())))


def draw_field(rng: np.random.Generator, given: Given, blocks: int) -> Field:
    """Everything that another set of blocks and chambers would have otherwise."""
    block, treatment, position = (
        np.array(c) for c in zip(*product(range(blocks), range(2), range(3)), strict=True)
    )
    n, events = len(block), len(given.at)
    by_block = mean_one(rng, 0.25, blocks)[block]
    scale = by_block * mean_one(rng, 0.15, 2 * blocks)[2 * block + treatment]
    scale *= mean_one(rng, 0.45, n) * POSITION_PULSE[position]
    often = rng.beta(*BETA, n)
    answer = np.where(rng.random((n, events)) < often[:, None], 1.0, HARDLY)
    susceptible = rng.gamma(*SUSCEPTIBLE, (n, events))
    block_answer = mean_one(rng, BLOCK_ANSWER_SPREAD, (blocks, events))
    nitrogen = given.nitrogen_answers(treatment, position, answer)
    count = rng.poisson(given.soil.own_moments_a_day * (LEAD + given.weather.days), n)
    own = tuple(
        (
            c,
            float(rng.uniform(-LEAD, given.weather.days)),
            given.soil.own_moment_peak * float(rng.gamma(*SUSCEPTIBLE)),
            int(rng.integers(len(SHAPES))),
        )
        for c in np.repeat(np.arange(n), count)
    )
    wander_at = np.arange(-7.0, given.weather.days + 14, 7)
    return Field(
        given=given,
        block=block,
        treatment=treatment,
        position=position,
        often=often,
        steady=given.soil.background * by_block * mean_one(rng, 0.5, n),
        scale=scale,
        mineral=nitrogen / answer,
        block_answer=block_answer,
        peak=given.peak[:, treatment].T
        * (nitrogen * susceptible * block_answer[block])
        * scale[:, None],
        shape=rng.integers(len(SHAPES), size=(n, events)),
        own=own,
        wander_at=wander_at,
        wander=rng.normal(0.0, 0.06, (n, len(wander_at))),
    )


def season(seed: int, soil: Soil, days: int = 120, blocks: int = 4) -> Field:
    """The whole season that a seed stands for; blocks differ only in the field's own draws."""
    weather = draw_weather(np.random.default_rng([seed, 1]), days)
    given = draw_given(np.random.default_rng([seed, 2]), weather, soil)
    return draw_field(np.random.default_rng([seed, 3]), given, blocks)
