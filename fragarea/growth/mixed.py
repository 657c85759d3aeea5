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

    Notes
    -----
    Subject i of block g has V_i = Z_i G Z_i' + diag(sigma^2 + d_ij), with d_ij known. -2 log-likelihood
    is sum log|V_i| + sum (y_i - X_i b_g)' V_i^-1 (y_i - X_i b_g) + (N - p) log 2 pi + sum log|X_g' V_g^-1 X_g|
    (without the last sum, and with p = 0, for plain maximum likelihood), with b_g by generalized least squares. G =
    L D L' with L unit lower triangular and D diagonal, not negative, keeps G a covariance. Variances, not standard
    deviations, are searched for: at a variance of zero the slope by its root would be zero too, and the search
    would stay there. V_i^-1 comes by Woodbury's identity from q x q matrices of all subjects at once, so that rows
    only enter sums of products weighted by 1 / (sigma^2 + d_ij); products of rows of one subject with one d are
    summed once, before the search. Derivatives are exact.

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
    core: Array  # (G^-1 + Z'WZ)^-1 of each subject
    by_random: Array  # derivative by G
    by_residual: float  # derivative by sigma^2


class _Products:
    """A block as sums of products of its columns, by subject and known variance.

    The columns are X, the part of Z that X does not hold already, and y less its ordinary least-squares fit: sums of
    products of small residuals keep their digits.
    """

    def __init__(self, block: Block, random_scale: Array, value_scale: float) -> None:
        self.x, self.z = block.fixed, block.random / random_scale
        self.known = block.known_variance / value_scale**2
        self.pilot, *_ = np.linalg.lstsq(self.x, block.values / value_scale, rcond=None)
        y = block.values / value_scale - self.x @ self.pilot
        inside, *_ = np.linalg.lstsq(self.x, self.z, rcond=None)
        spanned = np.allclose(self.x @ inside, self.z, rtol=0, atol=1e-9)
        columns = np.column_stack([self.x, y] if spanned else [self.x, self.z, y])
        p, q, m = self.x.shape[1], self.z.shape[1], columns.shape[1]
        self.of_x, self.of_y = np.eye(m)[:, :p], np.eye(m)[:, -1]
        self.of_z = np.vstack([inside, np.zeros((1, q))]) if spanned else np.eye(m)[:, p : p + q]
        order = np.lexsort([self.known, block.subject])
        subject, known = block.subject[order], self.known[order]
        new_subject = np.r_[True, np.diff(subject) > 0]
        runs = np.flatnonzero(new_subject | np.r_[True, np.diff(known) != 0])
        self.first = np.flatnonzero(new_subject[runs])  # run with which each subject begins
        self.variance, self.count = known[runs], np.diff(np.r_[runs, len(known)])
        ordered = columns[order]
        self.upper = np.triu_indices(m)
        pairs = [np.add.reduceat(ordered[:, i] * ordered[:, j], runs) for i, j in zip(*self.upper, strict=True)]
        self.pairs = np.array(pairs)
        self.m = m

    def weighted(self, weights: Array) -> Array:
        """M'WM of each subject, M being the columns; shape (subjects, m, m)."""
        sums = np.add.reduceat(self.pairs * weights, self.first, axis=1)
        made = np.empty((len(self.first), self.m, self.m))
        made[:, self.upper[0], self.upper[1]] = sums.T
        made[:, self.upper[1], self.upper[0]] = sums.T
        return made


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
        self.subjects = [block.subject for block in blocks]
        self.blocks = [_Products(block, self.random_scale, self.value_scale) for block in blocks]
        self.rows = rows
        self.moments = self._moments()
        self.constant = (rows - self._fixed_count()) * (math.log(2 * math.pi) + 2 * math.log(self.value_scale))

    def _fixed_count(self) -> int:
        return sum(block.x.shape[1] for block in self.blocks) if self.restricted else 0

    def starts(self) -> list[Array]:
        """By moments; half of the variance between subjects; and hardly any of it."""
        plain = [np.array([0.5, 0.0, 0.25, 0.25][-self.size :]), np.array([0.02, 0.0, 0.01, 0.7][-self.size :])]
        return [self.moments, *plain]

    def _moments(self) -> Array:
        """Variances of the subjects' own least-squares fits and of the values about these; never nearly zero."""
        own, rest, freedom = [], 0.0, 0
        for block in self.blocks:
            sums = block.weighted(np.ones(len(block.variance)))
            zz, zy = block.of_z.T @ sums @ block.of_z, sums @ block.of_y @ block.of_z
            rows = np.add.reduceat(block.count, block.first)
            inverse, determinant = _inverses(zz + 1e-9 * np.eye(self.q))
            sound = (rows > self.q) & (determinant > 1e-6 * rows**self.q)
            effects = np.einsum("iqr,ir->iq", inverse, zy)
            own.append(effects[sound])
            rest += float((sums @ block.of_y @ block.of_y - np.einsum("iq,iq->i", zy, effects))[sound].sum())
            freedom += int((rows - self.q)[sound].sum())
        between = np.mean(np.vstack(own) ** 2, axis=0) if freedom else np.full(self.q, 0.5)
        between = np.clip(np.nan_to_num(between, nan=0.5), 1e-4, 1e4)
        known = sum(block.count @ block.variance for block in self.blocks) / sum(b.count.sum() for b in self.blocks)
        residual = min(max(rest / freedom - known, 0.1 * rest / freedom, 1e-6), 1.0) if freedom else 0.25
        return np.array([*([between[0], 0.0] if self.q == 2 else []), between[-1], residual])

    @property
    def size(self) -> int:
        """Number of variance parameters."""
        return 4 if self.q == 2 else 2

    def search(self, start: Array) -> tuple[float, Array, float]:
        """Criterion, parameters and slope where the search ended."""
        # A residual of zero would make V singular where nothing else is known of a row.
        least = 0.0 if all((block.variance > 0).all() for block in self.blocks) else 1e-10
        bounds = [(0.0, None), (None, None), (0.0, None)] if self.q == 2 else [(0.0, None)]
        bounds.append((least, None))
        # In units of the moments, and a row's worth of knowledge alike, all parameters bend the criterion alike.
        units = self.moments.copy()
        if self.q == 2:
            units[1] = math.sqrt(units[2] / units[0])
        units[-1] *= math.sqrt(sum(len(block.first) for block in self.blocks) / self.rows)

        def scaled(parameters: Array) -> tuple[float, Array]:
            value, slopes = self.criterion(parameters * units)
            return value, slopes * units

        found = minimize(
            scaled,
            start / units,
            jac=True,
            method="L-BFGS-B",
            bounds=[
                (None if low is None else low / unit, None) for (low, _), unit in zip(bounds, units, strict=True)
            ],
            options={"maxiter": 500, "ftol": 1e-14, "gtol": 1e-8 * self.rows},
        )
        best = np.asarray(found.x) * units
        _, slope = self.criterion(best)
        held = np.array([low is not None and x <= low for x, (low, _) in zip(best, bounds, strict=True)])
        free = np.where(held, np.minimum(slope, 0.0), slope)
        return float(found.fun), best, float(np.abs(free).max())

    def criterion(self, parameters: Array) -> tuple[float, Array]:
        """-2 log-likelihood without its constant, and its derivative by the parameters."""
        random, residual = self._unpacked(parameters)
        parts = [self._sums(block, random, residual) for block in self.blocks]
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
        parts = [self._sums(block, random, residual) for block in self.blocks]
        scale, per_random = self.value_scale, self.value_scale / self.random_scale
        return MixedFit(
            coefficients=tuple(
                scale * (block.pilot + part.coefficients) for block, part in zip(self.blocks, parts, strict=True)
            ),
            covariances=tuple(scale**2 * part.covariance for part in parts),
            effects=tuple(part.effects * per_random for part in parts),
            random_covariance=random * np.outer(per_random, per_random),
            residual_variance=scale**2 * residual,
            log_likelihood=-0.5 * (criterion + self.constant),
            converged=bool(np.isfinite(criterion)) and slope < GRADIENT_TOLERANCE * max(1.0, abs(criterion) / 100),
            weights=tuple(
                _weights(block, subject, part, residual)
                for block, subject, part in zip(self.blocks, self.subjects, parts, strict=True)
            ),
        )

    def _unpacked(self, parameters: Array) -> tuple[Array, float]:
        """G and sigma^2."""
        if self.q == 1:
            return np.array([[parameters[0]]]), float(parameters[1])
        first, ratio, second, residual = (float(one) for one in parameters)
        return np.array([[first, first * ratio], [first * ratio, first * ratio**2 + second]]), residual

    def _sums(self, block: _Products, random: Array, residual: float) -> _Sums:
        variance = residual + block.variance
        weights = 1 / variance
        first, second = block.weighted(weights), block.weighted(weights * weights)
        of_x, of_z, of_y = block.of_x, block.of_z, block.of_y
        # per subject: Z'WZ, Z'WX, Z'Wy, and (G^-1 + Z'WZ)^-1 as (I + G Z'WZ)^-1 G, which a singular G allows
        zz, zx, zy = of_z.T @ first @ of_z, of_z.T @ first @ of_x, first @ of_y @ of_z
        inner = np.eye(self.q) + random @ zz
        inverse, determinant = _inverses(inner)
        core = inverse @ random
        core_zx = core @ zx
        total = first.sum(axis=0)
        information = of_x.T @ total @ of_x - np.einsum("iqp,iqs->ps", zx, core_zx)
        covariance = np.linalg.inv(information)
        xvy = of_x.T @ total @ of_y - np.einsum("iqp,iq->p", core_zx, zy)
        coefficients = covariance @ xvy
        yvy = of_y @ total @ of_y - np.einsum("iq,iqr,ir->", zy, core, zy)
        criterion = block.count @ np.log(variance) + np.log(determinant).sum() + yvy - xvy @ coefficients
        # derivatives: tr(P dV) - y'P dV P y, with P = V^-1 - V^-1 X (X'V^-1X)^-1 X'V^-1, or V^-1 in its first place
        ze = zy - zx @ coefficients
        core_ze = np.einsum("iqr,ir->iq", core, ze)
        zve = ze - np.einsum("iqr,ir->iq", zz, core_ze)
        by_random = (zz - zz @ core @ zz).sum(axis=0) - zve.T @ zve
        # a row of V^-1 e is w (e - z' core Z'We), a combination of the columns
        mix = (of_y - of_x @ coefficients) - core_ze @ of_z.T
        by_residual = block.count @ weights - np.einsum("iqr,irq->", core, of_z.T @ second @ of_z)
        by_residual -= ((second @ mix[:, :, None])[:, :, 0] * mix).sum()
        if self.restricted:
            criterion += np.linalg.slogdet(information)[1]
            zvx = zx - zz @ core_zx
            by_random = by_random - (zvx @ covariance @ np.swapaxes(zvx, 1, 2)).sum(axis=0)
            mixes = of_x - of_z @ core_zx
            by_residual -= np.sum((np.swapaxes(mixes, 1, 2) @ second @ mixes).sum(axis=0) * covariance)
        return _Sums(float(criterion), coefficients, covariance, zve @ random, core, by_random, float(by_residual))


def _inverses(matrices: Array) -> tuple[Array, Array]:
    """Inverses and determinants of matrices of one or two rows, shape (subjects, q, q)."""
    if matrices.shape[1] == 1:
        return 1 / matrices, matrices[:, 0, 0]
    (a, b), (c, d) = np.moveaxis(matrices, 0, -1)
    determinant = a * d - b * c
    return np.moveaxis(np.array([[d, -b], [-c, a]]) / determinant, -1, 0), determinant


def _weights(block: _Products, subject: npt.NDArray[np.int64], part: _Sums, residual: float) -> Array:
    """By what the values of a block are multiplied to give its coefficients."""
    starts = np.flatnonzero(np.r_[True, np.diff(subject) > 0])
    number = np.repeat(np.arange(len(starts)), np.diff(np.r_[starts, len(subject)]))
    variance = (residual + block.known)[:, None]
    zx = np.add.reduceat((block.z / variance)[:, :, None] * block.x[:, None, :], starts)
    vx = (block.x - np.einsum("nq,nqp->np", block.z, (part.core @ zx)[number])) / variance
    return np.asarray(part.covariance @ vx.T)


def _residual_squares(block: Block) -> float:
    coefficients, *_ = np.linalg.lstsq(block.fixed, block.values, rcond=None)
    return float(np.sum((block.values - block.fixed @ coefficients) ** 2))
