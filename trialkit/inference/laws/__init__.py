"""What is known of treatment means together: the laws of their ratios and differences.

What is asked of means is answered from their joint confidence distribution: the central 95 % of
the answers is the interval, the share on the far side of no effect, doubled, the p-value. Priors
are weak, and what it promises is checked by simulation.

**Laws.** Control on a day, areas under the curve against the untreated, pests for each enemy and
control against another product are ratios of means. Their distributions are worked out, not drawn
(`course_laws`, `log_laws`): limits are right to less than half of the last digit shown (to some
tenths of a point with a count before treatment), p-values to about a hundred-thousandth, and
neither knows a seed. A difference of two controls on a day, or of a mixture from what its parts
let expect, is an integral over such laws (`differences`), right to some tenths of a point.
How a lower rate does with the count at the start is an integral over a law and Student's t
(`scaled_changes`). Days above a threshold have the limits of a profile likelihood over courses
(`farthest`). Mixtures over a period are normal on the scale of logarithms (`course_moments`).
Differences of control in split- and strip-plots, and of control adjusted by a slope, have exact
p-values, and limits recovered from those of each control and how the two go together. None of it
knows a seed.

**Model.** A count is Poisson about the mean of its plot, and plots scatter about the mean of their
group (treatment and day) as a gamma of variance ``dispersion * mean**2``, with blocks taken out. A
percentage is a beta about the mean of its group, of k of n a beta-binomial. Given the dispersion,
a mean known from T individuals in n plots is a gamma of shape ``T + 1/2`` over one of shape
``n / dispersion``; a group of zeros is taken with ``T + 1``, so that its upper limit is the exact
one-sided limit of a Poisson count of none. Residuals of a plot go together over days, and with
those of its main plot or strip (`shared_units`); chance between individuals is fresh everywhere.
Where two days or two treatments go together, laws have a gamma in common of the variance that the
correlation says; normal scores that correlate, which is the other way, give chances that differ by
less than a hundredth for counts, and for percentages on two days by up to four.

**Prior.** Four plots cannot tell the dispersion of their group, and one dispersion for all is
wrong where groups differ. So its logarithm is a level, common to all groups and flat over a grid,
moved along a trend with the mean and scattered about it (`dispersion_posterior`). Trends of
counts are 0, -1/2 and -1 with weights 0.80, 0.15 and 0.05: the negative binomial is what most
counts of small plots follow, and a variance in proportion to the mean is the other end. Scatters
are 0, 0.5, 1 and 1.5 with weights 0.80, 0.10, 0.07 and 0.03. These weights are a compromise that
was set by simulation: more weight on scatter keeps intervals right where groups differ widely, and
widens all others. Likelihoods are adjusted for the means and blocks that were fitted (Cox and
Reid), and tempered where days tell in part the same.

**Counts before treatment.** How far they foretell later ones is a slope between plots of one
treatment (`foretelling`); its error goes into what is adjusted by it.

**What simulation says.** Tables stand in ``tests/benchmarks``: ``calibration_control.md`` (control
in randomised blocks: 94.8 to 98.2 % covered from 20 individuals a plot and k = 0.5 on),
``calibration.md`` (groups of unequal variance, larger units, courses), ``control_methods.md`` (the
choice of the formula), ``efficacy.md`` (persistence, mixtures, days above a threshold). Intervals
are too wide below 2.5 individuals a plot, under k = 0.4, and for Poisson counts; too narrow, 84
to 90 %, where the untreated plots alone vary far more than all others. ``draws.md`` has how far
laws are from two million draws.
"""
