"""Linear mixed models with known measurement variances, by restricted maximum likelihood."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

Array = npt.NDArray[np.float64]

GRADIENT_TOLERANCE = 1e-3
"""Largest slope of -2 log-likelihood, by scaled parameters, at which a fit counts as converged."""


@dataclass(frozen=True, eq=False)
class Block:
    """Rows that share fixed effects: one genotype.

    Attributes
    ----------
    fixed : ndarray of float64, shape (n, p)
        Design of the fixed effects, which are this block's own.
    random : ndarray of float64, shape (n, q)
        Design of the random effects, whose covariance all blocks share; q is 1 or 2.
    subject : ndarray of int, shape (n,)
        Number of the subject (fragment) of each row, in ascending order.
    values : ndarray of float64, shape (n,)
    known_variance : ndarray of float64, shape (n,)
        Variance of each value's measurement, beside the residual variance that is estimated.
    """

    fixed: Array
    random: Array
    subject: npt.NDArray[np.int64]
    values: Array
    known_variance: Array

    def __post_init__(self) -> None:
        n = len(self.values)
        if {len(self.fixed), len(self.random), len(self.subject), len(self.known_variance)} != {n}:
            raise ValueError("fixed, random, subject, values and known_variance must have one row each")
        if n and (np.diff(self.subject) < 0).any():
            raise ValueError("rows must be in order of subject")
        if not (self.known_variance >= 0).all():
            raise ValueError("known variances must not be negative")


@dataclass(frozen=True, eq=False)
class MixedFit:
    """A fitted mixed model.

    Attributes
    ----------
    coefficients : tuple of ndarray, shape (p,)
        Fixed effects of each block.
    covariances : tuple of ndarray, shape (p, p)
        Of the fixed effects of each block; different blocks are independent but for the shared variances.
    effects : tuple of ndarray, shape (subjects, q)
        Best linear unbiased predictions of the random effects, in order of subject.
    random_covariance : ndarray, shape (q, q)
    residual_variance : float
        Beside the known variances.
    log_likelihood : float
        Restricted, or plain with ``restricted=False``.
    converged : bool
        False where the search ended away from a maximum; then no number here should be used.
    weights : tuple of ndarray, shape (p, n)
        Each block's coefficients are ``weights @ values``.
    """

    coefficients: tuple[Array, ...]
    covariances: tuple[Array, ...]
    effects: tuple[Array, ...]
    random_covariance: Array
    residual_variance: float
    log_likelihood: float
    converged: bool
    weights: tuple[Array, ...]


def fit_mixed(blocks: Sequence[Block], *, restricted: bool = True) -> MixedFit:
    """Fit a linear mixed model.

    Parameters
    ----------
    blocks : sequence of Block
    restricted : bool
        Restricted (REML) or plain maximum likelihood.

    Returns
    -------
    MixedFit

    Raises
    ------
    ValueError
        If a block has fewer rows than fixed effects, or blocks differ in the number of random effects.

    Notes ----- Subject i of block g has V_i = Z_i G Z_i' + diag(sigma^2 + d_ij), with d_ij known. -2 log-likelihood
    is sum log|V_i| + sum (y_i - X_i b_g)' V_i^-1 (y_i - X_i b_g) + (N - p) log 2 pi + sum log|X_g' V_g^-1 X_g|
    (without the last sum, and with p = 0, for plain maximum likelihood), with b_g by generalized least squares. G =
    L D L' with L unit lower triangular and D diagonal, not negative, keeps G a covariance. Variances, not standard
    deviations, are searched for: at a variance of zero the slope by its root would be zero too, and the search
    would stay there. V_i^-1 comes by Woodbury's identity from q x q matrices, so that rows are only ever summed;
    derivatives are exact.

    References
    ----------
    Laird & Ware 1982, Biometrics 38:963-974; Bates, Maechler, Bolker, Walker 2015, Journal of Statistical Software
    67(1), doi 10.18637/jss.v067.i01 (criterion and parameters; from memory).
    """
    q = {block.random.shape[1] for block in blocks}
    if len(q) != 1 or not q <= {1, 2}:
        raise ValueError(f"all blocks must have the same one or two random effects; got {sorted(q)}")
    if any(len(block.values) < block.fixed.shape[1] for block in blocks):
        raise ValueError("a block has fewer rows than fixed effects")
    model = _Model(blocks, restricted)
    fits = []
    for start in model.starts():
        fits.append(model.fit_at(*model.search(start)))
        if fits[-1].converged:
            return fits[-1]
    return max(fits, key=lambda fit: fit.log_likelihood)


@dataclass(frozen=True, eq=False)
class _Sums:
    """What one block adds to the likelihood at given variances."""

    criterion: float
    coefficients: Array
    covariance: Array
    effects: Array
    weights: Array
    by_random: Array  # derivative by G
    by_residual: float  # derivative by sigma^2


class _Model:
    """The blocks in scaled units, where variances are near one."""

    def __init__(self, blocks: Sequence[Block], restricted: bool) -> None:
        self.restricted = restricted
        self.q = blocks[0].random.shape[1]
        squares = sum(_residual_squares(block) for block in blocks)
        rows = sum(len(block.values) for block in blocks)
        self.value_scale = math.sqrt(squares / rows) or 1.0
        stacked = [np.mean(block.random**2, axis=0) for block in blocks]
        self.random_scale = np.sqrt(np.average(stacked, axis=0, weights=[len(block.values) for block in blocks]))
        self.blocks = [
            Block(
                block.fixed,
                block.random / self.random_scale,
                block.subject,
                block.values / self.value_scale,
                block.known_variance / self.value_scale**2,
            )
            for block in blocks
        ]
        self.starting_rows = [np.flatnonzero(np.r_[True, np.diff(block.subject) > 0]) for block in blocks]
        self.constant = (rows - self._fixed_count()) * (math.log(2 * math.pi) + 2 * math.log(self.value_scale))

    def _fixed_count(self) -> int:
        return sum(block.fixed.shape[1] for block in self.blocks) if self.restricted else 0

    def starts(self) -> list[Array]:
        """Half of the variance between subjects; and hardly any of it."""
        return [np.array([0.5, 0.0, 0.25, 0.25][-self.size :]), np.array([0.02, 0.0, 0.01, 0.7][-self.size :])]

    @property
    def size(self) -> int:
        """Number of variance parameters."""
        return 4 if self.q == 2 else 2

    def search(self, start: Array) -> tuple[float, Array, float]:
        """Criterion, parameters and slope where the search ended."""
        # A residual of zero would make V singular where nothing else is known of a row.
        least = 0.0 if all((block.known_variance > 0).all() for block in self.blocks) else 1e-10
        bounds = [(0.0, None), (None, None), (0.0, None)] if self.q == 2 else [(0.0, None)]
        bounds.append((least, None))
        found = minimize(
            self.criterion,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": 500, "ftol": 1e-14, "gtol": 1e-7},
        )
        _, slope = self.criterion(found.x)
        held = np.array([low is not None and x <= low for x, (low, _) in zip(found.x, bounds, strict=True)])
        free = np.where(held, np.minimum(slope, 0.0), slope)
        return float(found.fun), np.asarray(found.x), float(np.abs(free).max())

    def criterion(self, parameters: Array) -> tuple[float, Array]:
        """-2 log-likelihood without its constant, and its derivative by the parameters."""
        random, residual = self._unpacked(parameters)
        parts = [self._sums(index, random, residual) for index in range(len(self.blocks))]
        by_random = np.sum([part.by_random for part in parts], axis=0)
        by_residual = sum(part.by_residual for part in parts)
        if self.q == 1:
            slopes = [by_random[0, 0], by_residual]
        else:
            first, ratio, _, _ = parameters
            both = by_random[1, 0] + ratio * by_random[1, 1]
            slopes = [
                by_random[0, 0] + ratio * (by_random[1, 0] + both),
                2 * first * both,
                by_random[1, 1],
                by_residual,
            ]
        return sum(part.criterion for part in parts), np.array(slopes)

    def fit_at(self, criterion: float, parameters: Array, slope: float) -> MixedFit:
        """The fit in the units that came in."""
        random, residual = self._unpacked(parameters)
        parts = [self._sums(index, random, residual) for index in range(len(self.blocks))]
        scale, per_random = self.value_scale, self.value_scale / self.random_scale
        return MixedFit(
            coefficients=tuple(scale * part.coefficients for part in parts),
            covariances=tuple(scale**2 * part.covariance for part in parts),
            effects=tuple(part.effects * per_random for part in parts),
            random_covariance=random * np.outer(per_random, per_random),
            residual_variance=scale**2 * residual,
            log_likelihood=-0.5 * (criterion + self.constant),
            converged=bool(np.isfinite(criterion)) and slope < GRADIENT_TOLERANCE * max(1.0, abs(criterion) / 100),
            weights=tuple(part.weights for part in parts),
        )

    def _unpacked(self, parameters: Array) -> tuple[Array, float]:
        """G and sigma^2."""
        if self.q == 1:
            return np.array([[parameters[0]]]), float(parameters[1])
        first, ratio, second, residual = (float(one) for one in parameters)
        return np.array([[first, first * ratio], [first * ratio, first * ratio**2 + second]]), residual

    def _sums(self, index: int, random: Array, residual: float) -> _Sums:
        block, first = self.blocks[index], self.starting_rows[index]
        x, z, y = block.fixed, block.random, block.values
        subject_of_row = np.repeat(np.arange(len(first)), np.diff(np.r_[first, len(y)]))
        variance = residual + block.known_variance
        weighted = z / variance[:, None]
        # per subject: Z'WZ, Z'WX, Z'Wy, and (G^-1 + Z'WZ)^-1 as (I + G Z'WZ)^-1 G, which a singular G allows
        zz = np.add.reduceat(weighted[:, :, None] * z[:, None, :], first)
        zx = np.add.reduceat(weighted[:, :, None] * x[:, None, :], first)
        zy = np.add.reduceat(weighted * y[:, None], first)
        inner = np.eye(self.q) + random @ zz
        core = np.linalg.solve(inner, np.broadcast_to(random, inner.shape))
        # V^-1 X and V^-1 y, row by row
        vx = x / variance[:, None] - np.einsum("nq,nqp->np", weighted, (core @ zx)[subject_of_row])
        vy = y / variance - np.einsum("nq,nq->n", weighted, np.einsum("iqr,ir->iq", core, zy)[subject_of_row])
        information = x.T @ vx
        covariance = np.linalg.inv(information)
        coefficients = covariance @ (x.T @ vy)
        residuals = vy - vx @ coefficients
        criterion = np.log(variance).sum() + np.linalg.slogdet(inner)[1].sum() + y @ residuals
        # derivatives: tr(P dV) - y'P dV P y, with P = V^-1 - V^-1 X (X'V^-1X)^-1 X'V^-1, or V^-1 in its first place
        zvz = zz - zz @ core @ zz
        zve = np.add.reduceat(z * residuals[:, None], first)
        by_random = zvz.sum(axis=0) - zve.T @ zve
        squares = np.add.reduceat(weighted[:, :, None] * weighted[:, None, :], first)
        by_residual = (1 / variance).sum() - np.einsum("iqr,irq->", core, squares) - residuals @ residuals
        if self.restricted:
            criterion += np.linalg.slogdet(information)[1]
            zvx = zx - zz @ core @ zx
            by_random = by_random - np.einsum("iqp,ps,irs->qr", zvx, covariance, zvx)
            by_residual -= np.einsum("np,ps,ns->", vx, covariance, vx)
        effects = np.einsum("qr,ir->iq", random, zve)
        return _Sums(
            float(criterion), coefficients, covariance, effects, covariance @ vx.T, by_random, float(by_residual)
        )


def _residual_squares(block: Block) -> float:
    coefficients, *_ = np.linalg.lstsq(block.fixed, block.values, rcond=None)
    return float(np.sum((block.values - block.fixed @ coefficients) ** 2))
