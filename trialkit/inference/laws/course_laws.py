"""Exact distributions of ratios of the means of a course.

Given the dispersions of its plots, the logarithm of a mean is a sum of logarithms of gamma
variables, whose characteristic functions are ratios of gamma functions; those of a ratio multiply,
and are averaged over what the trial says of the dispersions (`dispersion_posterior`). Nothing is
drawn, and a limit is right to more digits than are shown.

Plots that err together (days of one treatment, treatments of one larger unit) have a part in
common, of the variance that their correlation says; what is in common above and below the line of
a ratio cancels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.laws.count_evidence import Evidence
from trialkit.inference.laws.dispersion_posterior import Component, DispersionPosterior
from trialkit.inference.laws.log_laws import (
    Frequencies,
    LogLaw,
    TriedFrequencies,
    frequencies_up_to,
)
from trialkit.inference.laws.means_known import (
    DISPERSIONS,
    HALF,
    individuals_of_unit_mean,
    known_means,
    worth_of_shares,
)
from trialkit.inference.laws.plot_parts import PlotParts
from trialkit.inference.laws.share_differences import Classes
from trialkit.inference.laws.shared_units import SharedUnits
from trialkit.inference.numerics.log_gammas import (
    LARGEST_SHAPE,
    ComplexArray,
    Decays,
    LogGammas,
    characteristic,
    log_gamma_transform,
)

#: Log of what is left of a characteristic function at the last frequency.
_NOTHING = -18.0
_TRIED = TriedFrequencies(at=np.geomspace(0.1, 3e4, 30), weights=np.ones(30))
_MOST_ALIKE = 1.0 - 1e-6
#: Last frequency at most, over that of the narrowest spread.
_FAR = 60.0
#: What a power leaves of 1 for the part in common not to cancel.
_NEARLY_WHOLE = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Quotient:
    """Which ratios are asked for.

    Attributes
    ----------
    days : (e,) int array
    base : int or None
        Treatment below the line; None for the means themselves.
    before : int or None
        Day by whose mean, to a power, each mean is divided first.
    power : float
        Between 0 and 1.
    """

    days: IntArray
    base: int | None
    before: int | None = None
    power: float = 1.0

    @property
    def terms(self) -> list[tuple[IntArray, float]]:
        """Days of the means that make up one side of a ratio, and their powers."""
        found = [(self.days, 1.0)]
        if self.before is not None and self.power != 0.0:
            found.append((np.array([self.before], dtype=np.intp), -self.power))
        return found


@dataclass(frozen=True, slots=True, eq=False)
class _Unit:
    """One state of larger units: its weight, and how much wider dispersions are than seen.

    ``alike`` is how far the plots of each treatment go with those of each base, (bases, t).
    """

    weight: float
    widened: float
    alike: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class CourseLaw:
    """What is known of the means of t groups on d days together.

    Attributes
    ----------
    evidence : Evidence
    posterior : DispersionPosterior
    correlation : (d, d) float array
        Of plot effects between days.
    shared : SharedUnits or None
    shares : bool
        Whether the means are shares of a whole.
    scale : float
        Unit of the means.
    """

    evidence: Evidence
    posterior: DispersionPosterior
    correlation: FloatArray
    shared: SharedUnits | None
    shares: bool
    scale: float

    def _components(self, asked: Quotient) -> tuple[Component, ...]:
        """What is averaged over; without trends of little weight where days are set together.

        There the part that days have in common is known no better.
        """
        return self.posterior.components if asked.before is None else self.posterior.main_components

    def ratio(self, asked: Quotient) -> LogLaw:
        """Laws of the ratios of all treatments, (t, e).

        The law of the base itself is that of the number 1; of groups without plots there is none.
        """
        return self.ratios(asked, (asked.base,))[0]

    def ratios(
        self, asked: Quotient, bases: Sequence[int | None], frequencies: Frequencies | None = None
    ) -> list[LogLaw]:
        """Laws of the ratios to several bases, each as `ratio` gives them, for little more work.

        Parameters
        ----------
        asked : Quotient
            Its base is not looked at.
        bases : sequence of int or None
        frequencies : Frequencies, optional
            Those that suit the ratios where not given; laws that are multiplied need the same.
        """
        given = frequencies or self.frequencies(asked)
        individuals, centre = self._of_individuals(asked, given.at)
        found = np.zeros((len(bases), *individuals.shape), dtype=np.complex128)
        for unit in self._units(bases):
            for alike in np.unique(unit.alike):
                for part in self._components(asked):
                    sides = self._sides(asked, given, part, unit.widened, float(alike))
                    for place, base in enumerate(bases):
                        own = unit.alike[place] == alike
                        if own.any():
                            plots = _averaged(sides, unit.weight * part.weights, base)
                            found[place][own] += np.broadcast_to(plots, individuals.shape)[own]
        return [
            _against(base, LogLaw(frequencies=given, transform=each, centre=centre), individuals)
            for base, each in zip(bases, found, strict=True)
        ]

    def frequencies(self, asked: Quotient) -> Frequencies:
        """Frequencies that suit the narrowest of the ratios."""
        parts = self._components(asked)
        part = next((one for one in parts if one.slope == 0.0), parts[0])
        weights = np.log(part.weight_of_nodes)[:, None]
        fall = [
            self._own(asked, _TRIED, part, unit.widened, float(alike)).real
            for unit in self._units((asked.base,))
            for alike in np.unique(unit.alike)
        ]
        left = np.zeros((2, len(self.evidence.estimate), asked.days.size, _TRIED.at.size))
        left[0] += np.max(np.broadcast_arrays(*(np.max(each + weights, 2) for each in fall)), 0)
        left[1] += np.max(np.broadcast_arrays(*(np.max(each, 2) for each in fall)), 0)
        for days, power in asked.terms if not self.shares else ():
            _, _, total, added = (each[:, days, 0] for each in known_means(self.evidence))
            left += Decays(_TRIED.at * abs(power)).at(total + added).real
        left = left[:, np.isfinite(self.evidence.estimate[:, asked.days])]
        if not left.shape[1]:
            return frequencies_up_to(1.0)
        slow, narrow = np.sort(left, axis=1)[:, -2:].sum(axis=1)
        spread = np.sqrt(max(-2.0 * float(narrow[0]), 1e-12)) / _TRIED.at[0]
        enough = np.flatnonzero((slow < _NOTHING) | (_TRIED.at * spread > _FAR))
        return frequencies_up_to(float(_TRIED.at[enough[0] if enough.size else -1]))

    def _units(self, bases: Sequence[int | None]) -> list[_Unit]:
        """What is averaged over of larger units; one that changes nothing without them."""
        t = len(self.evidence.estimate)
        if self.shared is None:
            return [_Unit(1.0, 1.0, np.zeros((len(bases), t)))]
        found = []
        for weight, widened, shares in self.shared.nodes():
            alike = np.zeros((len(bases), t))
            for row, base in enumerate(bases):
                for level, share in zip(self.shared.levels, shares, strict=True):
                    alike[row] += 0.0 if base is None else share * (level == level[base])
                if base is not None:
                    # Of the base itself nothing is asked.
                    alike[row, base] = 0.0
            found.append(_Unit(weight, widened, np.minimum(alike, _MOST_ALIKE)))
        return found

    def pairs(self, asked: Quotient) -> LogLaw:
        """Laws of the ratios of every treatment to every other, (t, t, e).

        The base of the question is not looked at; the second of a pair is below the line.
        """
        laws = self.ratios(asked, range(len(self.evidence.estimate)))
        return LogLaw(
            frequencies=laws[0].frequencies,
            transform=np.stack([law.transform for law in laws], axis=1),
            centre=np.stack([law.centre for law in laws], axis=1),
        )

    def _of_individuals(self, asked: Quotient, at: FloatArray) -> tuple[ComplexArray, FloatArray]:
        """What chance between individuals brings to one side, (t, e, f), and its centre (t, e)."""
        shape = (len(self.evidence.estimate), asked.days.size)
        found: ComplexArray = np.ones((*shape, at.size), dtype=np.complex128)
        centre = np.zeros(shape)
        for days, power in asked.terms:
            chance = self._individuals(days, at * abs(power))
            found *= chance if power > 0.0 else chance.conj()
            centre += power * self._centre(days)
        return found, centre

    def _centre(self, days: IntArray) -> FloatArray:
        """Expected logarithms but for what plots add, (t, e); NaN without plots."""
        _, _, total, added = (part[:, days, 0] for part in known_means(self.evidence))
        level = np.full(total.shape, np.log(self.scale))
        if not self.shares:
            whole = individuals_of_unit_mean(self.evidence)[:, days, 0]
            level += special.digamma(total + added) - np.log(whole)
        return np.where(np.isfinite(self.evidence.estimate[:, days]), level, np.nan)

    def _individuals(self, days: IntArray, frequency: FloatArray) -> ComplexArray:
        """Characteristic functions of chance between individuals, (t, e, f)."""
        _, _, total, added = (part[:, days, 0] for part in known_means(self.evidence))
        if self.shares:
            return np.ones((*total.shape, frequency.size), dtype=np.complex128)
        return characteristic(log_gamma_transform(total + added, frequency))

    def _plots(self, days: IntArray, part: Component, widened: float) -> PlotParts:
        """What plots add at the nodes of one trend."""
        mean, plots, total, added = (each[:, days] for each in known_means(self.evidence))
        offset = self.posterior.offset[:, days, None]
        if not self.shares and part.slope == 0.0 and np.ptp(plots) == 0.0:
            plots, offset = plots[:1, :1], np.zeros((1, 1, 1))
        logs = np.minimum(part.nodes + part.slope * offset, part.cap) + np.log(widened)
        dispersion = np.clip(np.exp(logs), *DISPERSIONS)
        if not self.shares:
            k = plots / dispersion
            whole = np.ones((1, 1, 1))
            return PlotParts(k, LARGEST_SHAPE * whole, whole, np.log(k) - special.digamma(k), -1.0)
        worth, chance = worth_of_shares(plots, total, dispersion)
        hits = worth * mean + added
        items = hits + worth * (1.0 - mean) + HALF
        centre = special.digamma(hits) - special.digamma(items)
        return PlotParts(hits, items, 1.0 - chance, centre, 1.0)

    def _own(
        self, asked: Quotient, given: Frequencies, part: Component, widened: float, alike: float
    ) -> ComplexArray:
        """What plots of a treatment bring to its side of a ratio at the nodes of one trend.

        Logs of characteristic functions, (t|1, e|1, nodes, f). What a day and the day before have
        in common cancels, or stays in part where the latter is taken to a power below 1.
        """
        late = self._plots(asked.days, part, widened)
        before = asked.before if asked.power != 0.0 else None
        apart = 1.0 - alike * late.shared
        if before is None:
            return late.own(apart + np.zeros_like(late.shape), given.gammas(1.0), given.at)
        early = self._plots(np.array([before], dtype=np.intp), part, widened)
        apart_early = 1.0 - alike * early.shared
        together = np.clip(self.correlation[before, asked.days], -_MOST_ALIKE, _MOST_ALIKE)
        cross = together[None, :, None] * np.sqrt(late.shared * early.shared)
        covariance = cross * np.sqrt(late.variance * early.variance)
        whole = late.variance + asked.power**2 * early.variance
        rest = 1.0 - asked.power
        # Without a rest all of the covariance cancels; both days bear that by their variances.
        alone = np.maximum(cross, 0.0)
        if rest <= _NEARLY_WHOLE:
            alone = 2.0 * asked.power * covariance / whole
        own = late.own((1.0 - alone) * apart, given.gammas(1.0), given.at)
        gammas, at = given.gammas(asked.power), asked.power * given.at
        own = own + early.own((1.0 - alone) * apart_early, gammas, at).conj()
        if rest <= _NEARLY_WHOLE:
            return own
        left = np.maximum(alone * whole - 2.0 * asked.power * covariance, 0.0)
        return own + late.common(left * (1.0 - alike) / rest**2, given.gammas(rest))

    def _sides(
        self, asked: Quotient, given: Frequencies, part: Component, widened: float, alike: float
    ) -> ComplexArray:
        """What plots bring to one side under one trend, at its levels, (t, e|1, levels, f)."""
        gammas = given.gammas(1.0)
        plain = asked.before is None and alike == 0.0 and not self.shares
        if plain and isinstance(gammas, LogGammas):
            own = gammas.of_inverse_means(self._plots(asked.days, part, widened).shape)
        else:
            own = characteristic(self._own(asked, given, part, widened, alike))
        levels = part.of_nodes[:, None] @ own.view(np.float64)
        found: ComplexArray = levels.view(np.complex128)
        return found

    def classes(self, asked: Quotient, given: Frequencies, size: int) -> Classes:
        """Laws of the means of one day by classes of the level of dispersion, (classes, t).

        Within a class means are independent.

        Raises
        ------
        ValueError
            Where plots share larger units: their means are not.
        """
        if self.shared is not None:
            raise ValueError("means of plots that share larger units are not independent")
        parts = self._components(asked)
        levels = np.concatenate([part.levels for part in parts])
        weights = np.concatenate([part.weights for part in parts])
        order = np.argsort(levels, kind="stable")
        middle = np.cumsum(weights[order]) - 0.5 * weights[order]
        code = np.empty(levels.size, dtype=np.intp)
        code[order] = np.minimum((middle * size).astype(np.intp), size - 1)
        share = np.where(code == np.arange(size)[:, None], weights, 0.0)
        share = share[share.sum(axis=1) > 0.0]
        whole = share.sum(axis=1)
        individuals, centre = self._of_individuals(asked, given.at)
        found = np.zeros((whole.size, *individuals[:, 0].shape), dtype=np.complex128)
        start = 0
        for part in parts:
            own = share[:, start : start + part.weights.size] / whole[:, None]
            start += part.weights.size
            sides = self._sides(asked, given, part, 1.0, 0.0)[:, 0]
            found += np.einsum("kc,tcf->ktf", own, sides)
        laws = LogLaw(
            frequencies=given,
            transform=found * individuals[:, 0],
            centre=np.broadcast_to(centre[:, 0], found.shape[:2]),
        )
        return Classes(weights=whole, laws=laws)

    def on(self, days: IntArray) -> CourseLaw:
        """What is known of some of the days."""
        kept = replace(
            self.evidence,
            estimate=self.evidence.estimate[:, days],
            total=self.evidence.total[:, days],
            plots=self.evidence.plots[:, days],
        )
        return CourseLaw(
            evidence=kept,
            posterior=replace(self.posterior, offset=self.posterior.offset[:, days]),
            correlation=self.correlation[np.ix_(days, days)],
            shared=self.shared,
            shares=self.shares,
            scale=self.scale,
        )


def _averaged(sides: ComplexArray, weights: FloatArray, base: int | None) -> ComplexArray:
    """What plots bring to ratios to a base, averaged over levels, (t, e|1, f)."""
    if base is None:
        return np.asarray(np.einsum("c,tecf->tef", weights, sides))
    under = sides[base].conj() * weights[:, None]
    return np.asarray(np.einsum("tecf,ecf->tef", sides, under))


def _against(base: int | None, plots: LogLaw, individuals: ComplexArray) -> LogLaw:
    """The law of plots with the chance of individuals on both sides."""
    transform = plots.transform * individuals
    if base is None:
        return replace(plots, transform=transform)
    transform *= individuals[[base]].conj()
    transform[base] = 1.0
    return replace(plots, transform=transform, centre=plots.centre - plots.centre[[base]])
