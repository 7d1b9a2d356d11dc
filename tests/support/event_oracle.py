"""How well one could know a season's plots who knows how ``event_seasons`` makes them.

The oracle knows weather, mineral N, the constants of every block, plot and chamber, and each
pulse of which a chamber's record shows a fifth or more. Of the others it knows the law alone:
whether the site had a pulse and how strong (where no chamber saw it), which chambers answered,
how strongly and in what shape, and moments that no weather tells. These it draws anew; the
spread of the totals is its interval. Measuring noise is added, sampling in time is not.
"""

from dataclasses import dataclass

import event_seasons as made
import numpy as np
from event_records import A_DAY, Record, closure_times
from event_weather import LEAD, Floats
from numpy.typing import NDArray

SEEN = 0.2
"""Share of a pulse from which on it counts as known."""
HOURS = 24 // A_DAY


@dataclass(frozen=True)
class Onsets:
    """Pulses that may begin at some times: who would not see them, and what the gaps hide.

    ``hidden`` is (chambers, onsets); ``lost`` the integral over each chamber's gaps of a pulse of
    peak 1 in each shape [d], (onsets, shapes, chambers).
    """

    hidden: NDArray[np.bool_]
    lost: Floats


def onsets(
    given: made.Given, gaps: NDArray[np.bool_], at: Floats, rise: Floats, decay: Floats
) -> Onsets:
    """Look at pulses with the gaps of each chamber, (chambers, hours)."""
    warmth = given.weather.warmth(given.hours) / 24
    unseen = (warmth * gaps).T
    lost = np.zeros((len(at), len(made.SHAPES), len(gaps)))
    hidden = np.zeros((len(gaps), len(at)), dtype=bool)
    for k, (when, r, d) in enumerate(zip(at, rise, decay, strict=True)):
        pulse = made.shaped(given.hours - when, r, d)
        lost[k] = pulse @ unseen
        hidden[:, k] = lost[k].mean(axis=0) > (1 - SEEN) * (pulse @ warmth).mean()
    return Onsets(hidden, lost)


def oracle_plots(season: Record, rng: np.random.Generator, draws: int = 400) -> Floats:
    """kg N ha⁻¹ of each plot as the oracle would have them: (draws, plots)."""
    field, given = season.field, season.field.given
    days = given.weather.days
    # A closure lost between two others leaves nothing unknown.
    there = np.pad(season.recorded, ((0, 0), (1, 1)), constant_values=True)
    there = there[:, 1:-1] | (there[:, :-2] & there[:, 2:])
    gaps = ~np.repeat(there, HOURS, axis=1)
    events = onsets(given, gaps, given.at, given.rise, given.decay)
    daily = np.arange(-LEAD, days) + 0.5
    like = np.ones(len(daily))
    site = onsets(given, gaps, daily, 1.1 * like, 2.5 * like)
    own = onsets(given, gaps, daily, like, given.soil.own_moment_decay * like)

    totals = field.hourly.sum(axis=1) / 24 - _hidden_truth(field, events, own)
    totals = totals + _noise(season, rng, draws)
    totals += _events_anew(field, events, rng, draws)
    totals += _site_moments_anew(field, site, daily, rng, draws)
    totals += _own_moments_anew(field, own, rng, draws)
    return field.by_plot(made.KG_N_HA * totals)


def _hidden_truth(field: made.Field, events: Onsets, own: Onsets) -> Floats:
    """What the oracle must not know: hidden pulses as they were, over each chamber's gaps."""
    c, e = np.nonzero(events.hidden)
    hidden = np.zeros(len(field.block))
    np.add.at(hidden, c, field.peak[c, e] * events.lost[e, field.shape[c, e], c])
    for chamber, at, peak, shape in field.own:
        day = int(np.floor(at)) + LEAD
        if own.hidden[chamber, day]:
            hidden[chamber] += peak * own.lost[day, shape, chamber]
    return hidden


def _noise(season: Record, rng: np.random.Generator, draws: int) -> Floats:
    """The noise that there was, and as much again for what the oracle makes of it."""
    t = closure_times(len(season.recorded), season.field.given.weather.days)
    true = season.field.flux(t)[season.recorded]
    chamber = np.nonzero(season.recorded)[0]
    error = np.bincount(chamber, season.fluxes["flux_nmol_m2_s"] - true) / A_DAY
    spread = np.sqrt(np.bincount(chamber, season.fluxes["flux_se_nmol_m2_s"] ** 2)) / A_DAY
    return np.asarray(error + spread * rng.normal(size=(draws, len(error))))


def _answers(
    field: made.Field, rng: np.random.Generator, c: made.Ints, lost: Floats, draws: int
) -> Floats:
    """Answer × susceptibility × integral of chambers ``c`` to a pulse each: (draws, pulses)."""
    size = draws, len(c)
    answer = np.where(rng.random(size) < field.often[c], 1.0, made.HARDLY)
    shape = rng.integers(len(made.SHAPES), size=size)
    susceptible = rng.gamma(*made.SUSCEPTIBLE, size)
    return np.asarray(answer * susceptible * lost[shape, c] * field.scale[c])


def _events_anew(field: made.Field, events: Onsets, rng: np.random.Generator, draws: int) -> Floats:
    """Hidden answers to rain, doses and moments that somebody saw: (draws, chambers)."""
    given = field.given
    found = np.zeros((draws, len(field.block)))
    for e in np.flatnonzero(events.hidden.any(axis=0)):
        c = np.flatnonzero(events.hidden[:, e])
        unseen = len(c) == len(field.block)
        if unseen and given.kind[e] == "moment":
            continue  # comes among the moments that nothing tells
        if unseen:
            strength = made.mean_one(rng, made.STRENGTH_SPREAD, draws)
            strength *= rng.random(draws) < given.chance[e]
        else:
            strength = np.full(draws, given.strength[e])
        block = np.tile(field.block_answer[:, e], (draws, 1))
        blind = [events.hidden[field.block == b, e].all() for b in range(block.shape[1])]
        anew = made.mean_one(rng, made.BLOCK_ANSWER_SPREAD, block.shape)
        block = np.where(blind, anew, block)[:, field.block[c]]
        acts = given.kind[e] != "dose" or (field.treatment[c] == 0) & given.soil.acts
        peak = given.plain[e] * strength[:, None] * field.mineral[c, e] * acts * block
        found[:, c] += peak * _answers(field, rng, c, events.lost[e], draws)
    return found


def _site_moments_anew(
    field: made.Field, site: Onsets, daily: Floats, rng: np.random.Generator, draws: int
) -> Floats:
    """Moments of the whole site that no chamber saw: (draws, chambers)."""
    given = field.given
    found = np.zeros((draws, len(field.block)))
    everybody = np.arange(len(field.block))
    for k in np.flatnonzero(site.hidden.all(axis=0)):
        there = np.flatnonzero(rng.random(draws) < made.SITE_MOMENTS_A_DAY)
        if not len(there):
            continue
        strength = made.mean_one(rng, made.STRENGTH_SPREAD, len(there))
        block = made.mean_one(rng, made.BLOCK_ANSWER_SPREAD, (len(there), field.block.max() + 1))
        before = max(int(np.searchsorted(given.at, daily[k])) - 1, 0)
        peak = given.soil.site_moment_peak * strength[:, None] * field.mineral[:, before]
        answers = _answers(field, rng, everybody, site.lost[k], len(there))
        found[there] += peak * block[:, field.block] * answers
    return found


def _own_moments_anew(
    field: made.Field, own: Onsets, rng: np.random.Generator, draws: int
) -> Floats:
    """Moments of single chambers in their gaps: (draws, chambers)."""
    soil = field.given.soil
    found = np.zeros((draws, len(field.block)))
    c, day = np.nonzero(own.hidden)
    draw, which = np.nonzero(rng.random((draws, len(c))) < soil.own_moments_a_day)
    shape = rng.integers(len(made.SHAPES), size=len(draw))
    peak = soil.own_moment_peak * rng.gamma(*made.SUSCEPTIBLE, len(draw))
    np.add.at(found, (draw, c[which]), peak * own.lost[day[which], shape, c[which]])
    return found
