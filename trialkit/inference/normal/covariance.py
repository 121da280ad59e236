"""Mixed models of plots: their covariance in independent blocks, and the restricted likelihood.

The model is y = X b + sum of Z_k u_k + e, where e is independent or has a covariance over the days
of a subject. Observations that share no random effect and no subject are independent, so the
covariance of y falls into blocks; blocks of equal size are worked on together.

Source: Patterson HD & Thompson R 1971, Biometrika 58:545-554 (reference from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.normal.covariance_structures import Independent, Structure


@dataclass(frozen=True, slots=True)
class Batch:
    """Independent blocks of equal size: ``g`` blocks of ``m`` observations.

    Attributes
    ----------
    rows : (g, m) observation numbers
    shared : (F, g, m, m) 1 where two observations share the level of random factor F; any other
        pattern that the variance F multiplies
    within : (g, m, m) 1 where two observations belong to one subject
    time : (g, m) day codes
    known : (g, m, m) covariance that is there whatever the parameters; None for none
    """

    rows: IntArray
    shared: FloatArray
    within: FloatArray
    time: IntArray
    known: FloatArray | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CovarianceModel:
    """Random factors and the error structure, cut into independent batches.

    ``signed`` random factors may have a negative variance, as long as the covariance of the
    observations stays positive definite.
    """

    random: tuple[str, ...]
    signed: bool
    structure: Structure
    subject: IntArray
    time: IntArray
    batches: tuple[Batch, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all variance parameters: random factors, then the error structure's."""
        return self.random + self.structure.names

    @property
    def powers(self) -> FloatArray:
        """Power of the response's unit in each parameter."""
        return np.concatenate([np.full(len(self.random), 2.0), self.structure.powers])

    @property
    def lower(self) -> FloatArray:
        """Lower limits of the parameters."""
        least = -np.inf if self.signed else 0.0
        return np.concatenate([np.full(len(self.random), least), self.structure.lower])

    @property
    def upper(self) -> FloatArray:
        """Upper limits of the parameters."""
        return np.concatenate([np.full(len(self.random), np.inf), self.structure.upper])

    def start(self, residuals: FloatArray) -> FloatArray:
        """Start values from ordinary residuals: equal shares for random factors and error."""
        n_subjects = int(self.subject.max()) + 1
        table = np.full((n_subjects, int(self.time.max()) + 1), np.nan)
        table[self.subject, self.time] = residuals
        share = 1.0 / (len(self.random) + 1)
        error = self.structure.start(table) * np.where(self.structure.powers > 0, share, 1.0)
        variance = float(np.mean(residuals**2))
        return np.concatenate([np.full(len(self.random), share * variance), error])

    def covariance(self, theta: FloatArray, batch: Batch) -> FloatArray:
        """Covariance (g, m, m) of the observations of a batch."""
        n = len(self.random)
        sigma = self.structure.matrix(theta[n:])
        out = sigma[batch.time[:, :, None], batch.time[:, None, :]] * batch.within
        for value, shared in zip(theta[:n], batch.shared, strict=True):
            out += value * shared
        if batch.known is not None:
            out += batch.known
        return np.asarray(out)

    def derivatives(self, theta: FloatArray, batch: Batch) -> FloatArray:
        """First derivatives (K, g, m, m) of the covariance of a batch."""
        n = len(self.random)
        first = self.structure.first(theta[n:])
        error = first[:, batch.time[:, :, None], batch.time[:, None, :]] * batch.within
        return np.concatenate([batch.shared, error])

    def curvature(self, theta: FloatArray, batch: Batch) -> list[tuple[int, int, FloatArray]]:
        """Second derivatives that are not zero: (k, l, (g, m, m)) with k <= l."""
        n = len(self.random)
        second = self.structure.second(theta[n:])
        if second is None:
            return []
        out = []
        for k in range(second.shape[0]):
            for other in range(k, second.shape[0]):
                if np.any(second[k, other]):
                    part = second[k, other][batch.time[:, :, None], batch.time[:, None, :]]
                    out.append((n + k, n + other, part * batch.within))
        return out


def covariance_model(
    n: int,
    random: dict[str, IntArray],
    *,
    subject: IntArray | None = None,
    time: IntArray | None = None,
    structure: Structure | None = None,
    signed: bool = False,
) -> CovarianceModel:
    """Cut ``n`` observations into blocks that share nothing and prepare their covariances.

    Parameters
    ----------
    n : int
        Number of observations.
    random : dict
        Random factors: name to level codes (n,).
    subject, time : (n,) codes, optional
        Subject and day of each observation, where the error is correlated over days.
    structure : Structure, optional
        Covariance over the days of a subject; independent errors when left out.
    signed : bool
        Let variances of random factors be negative.

    Raises
    ------
    ValueError
        Two observations of one subject on one day.
    """
    if subject is None or time is None or structure is None:
        subject, time, structure = np.arange(n), np.zeros(n, dtype=np.intp), Independent()
    subject = np.unique(subject, return_inverse=True)[1].astype(np.intp)
    time = time.astype(np.intp)
    if len(np.unique(subject * (int(time.max()) + 1) + time)) != n:
        msg = "a subject has two observations on the same day"
        raise ValueError(msg)
    codes = [np.unique(c, return_inverse=True)[1].astype(np.intp) for c in random.values()]
    batches = []
    blocks = _independent_blocks(n, [*codes, subject])
    for size in sorted({len(b) for b in blocks}):
        rows = np.stack([b for b in blocks if len(b) == size])
        shared = np.empty((len(codes), *rows.shape, size))
        for k, code in enumerate(codes):
            levels = code[rows]
            shared[k] = levels[:, :, None] == levels[:, None, :]
        owner = subject[rows]
        within = (owner[:, :, None] == owner[:, None, :]).astype(float)
        batches.append(Batch(rows=rows, shared=shared, within=within, time=time[rows]))
    return CovarianceModel(
        random=tuple(random),
        signed=signed,
        structure=structure,
        subject=subject,
        time=time,
        batches=tuple(batches),
    )


def _independent_blocks(n: int, codes: list[IntArray]) -> list[IntArray]:
    """Sets of observations joined by a shared level of any factor, each ascending."""
    label = np.arange(n)
    while True:
        before = label
        for code in codes:
            smallest = np.full(int(code.max()) + 1, n)
            np.minimum.at(smallest, code, label)
            label = smallest[code]
        if np.array_equal(label, before):
            break
    order = np.argsort(label, kind="stable")
    cuts = np.flatnonzero(np.diff(label[order])) + 1
    return list(np.split(order, cuts))


@dataclass(frozen=True, slots=True, kw_only=True)
class RemlState:
    """Everything the likelihood needs at one value of the variance parameters.

    Attributes
    ----------
    theta : (K,) parameters
    log_likelihood : restricted log-likelihood, free of the coding of X
    beta : (p,) fixed effects; phi : (p, p) their covariance
    inverse : for each batch (g, m, m), the inverse covariance
    vx : (n, p) inverse covariance times X; vr : (n,) times the residuals
    """

    theta: FloatArray
    log_likelihood: float
    beta: FloatArray
    phi: FloatArray
    inverse: tuple[FloatArray, ...]
    vx: FloatArray
    vr: FloatArray


def evaluate(
    model: CovarianceModel, theta: FloatArray, x: FloatArray, y: FloatArray
) -> RemlState | None:
    """State at ``theta``, or None where the covariance is not positive definite."""
    n, p = x.shape
    joined = np.column_stack([x, y])
    solved = np.empty_like(joined)
    log_det = 0.0
    inverses = []
    for batch in model.batches:
        v = model.covariance(theta, batch)
        try:
            root = np.linalg.cholesky(v)
        except np.linalg.LinAlgError:
            return None
        diagonal = np.diagonal(root, axis1=1, axis2=2)
        # A pivot lost to rounding is a singular matrix even where the factor was found.
        scale = np.sqrt(np.diagonal(v, axis1=1, axis2=2))
        if not np.all(diagonal > 1e-6 * scale):
            return None
        log_det += 2.0 * float(np.log(diagonal).sum())
        inverse = np.linalg.inv(v)
        inverse = 0.5 * (inverse + inverse.transpose(0, 2, 1))
        inverses.append(inverse)
        solved[batch.rows] = inverse @ joined[batch.rows]
    vx, vy = solved[:, :p], solved[:, p]
    information = x.T @ vx
    try:
        root = np.linalg.cholesky(information)
    except np.linalg.LinAlgError:
        return None
    phi = np.linalg.inv(information)
    phi = 0.5 * (phi + phi.T)
    beta = phi @ (vx.T @ y)
    vr = vy - vx @ beta
    quadratic = float((y - x @ beta) @ vr)
    x_det = float(np.linalg.slogdet(x.T @ x)[1]) if p else 0.0
    log_det += 2.0 * float(np.log(np.diagonal(root)).sum()) - x_det
    value = -0.5 * ((n - p) * np.log(2.0 * np.pi) + log_det + quadratic)
    return RemlState(
        theta=theta,
        log_likelihood=value,
        beta=beta,
        phi=phi,
        inverse=tuple(inverses),
        vx=vx,
        vr=vr,
    )
