"""The law of propagation of uncertainty.

References
----------
JCGM 100:2008, Guide to the expression of uncertainty in measurement: 5.1 and 5.2 (law), G.4 (degrees of freedom).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def combined_u(sensitivities: npt.ArrayLike, u: npt.ArrayLike, correlation: npt.ArrayLike | None = None) -> float:
    """Combined standard uncertainty of one result.

    Parameters
    ----------
    sensitivities : array_like, shape (n,)
        Derivative of the result by each input.
    u : array_like, shape (n,)
        Standard uncertainty of each input.
    correlation : array_like, shape (n, n), optional
        Correlation of the inputs; none by default.

    Returns
    -------
    float
        In the unit of the result.

    Raises
    ------
    ValueError
        If shapes differ, an uncertainty is negative, or `correlation` is no correlation matrix.

    References
    ----------
    JCGM 100:2008, equations 10 and 16.
    """
    c, s = np.asarray(sensitivities, dtype=float), np.asarray(u, dtype=float)
    if c.ndim != 1 or c.shape != s.shape:
        raise ValueError(f"sensitivities and u must be equally long; got shapes {c.shape} and {s.shape}")
    if not (s >= 0).all():
        raise ValueError("a standard uncertainty is negative or not a number")
    parts = c * s
    if correlation is None:
        return float(np.sqrt(parts @ parts))
    r = np.asarray(correlation, dtype=float)
    if r.shape != (len(c), len(c)) or not np.allclose(r, r.T) or not np.allclose(np.diag(r), 1.0):
        raise ValueError("correlation must be symmetric, of shape (n, n), with ones on its diagonal")
    if np.linalg.eigvalsh(r).min() < -1e-3:
        raise ValueError("correlation is impossible: some combination of the inputs would have a negative variance")
    # Published correlations are rounded, so a variance may come out a trace below zero.
    return float(np.sqrt(max(0.0, parts @ r @ parts)))


def effective_dof(contributions: npt.ArrayLike, dof: npt.ArrayLike) -> float:
    """Effective degrees of freedom of a combined uncertainty (Welch–Satterthwaite).

    Parameters
    ----------
    contributions : array_like, shape (n,)
        |sensitivity| times standard uncertainty of each input; inputs not correlated.
    dof : array_like, shape (n,)
        Degrees of freedom of each; ``inf`` where the uncertainty is known exactly.

    Returns
    -------
    float
        ``inf`` when no input of finite degrees of freedom contributes.

    Raises
    ------
    ValueError
        If shapes differ or a number of degrees of freedom is not positive.

    References
    ----------
    JCGM 100:2008, equation G.2b.
    """
    parts, nu = np.asarray(contributions, dtype=float), np.asarray(dof, dtype=float)
    if parts.ndim != 1 or parts.shape != nu.shape:
        raise ValueError(f"contributions and dof must be equally long; got shapes {parts.shape} and {nu.shape}")
    if not (nu > 0).all():
        raise ValueError("degrees of freedom must be positive")
    denominator = float((parts**4 / nu).sum())
    return float((parts @ parts) ** 2 / denominator) if denominator > 0 else float("inf")


def propagate(function: Callable[[Array], npt.ArrayLike], values: npt.ArrayLike, covariance: npt.ArrayLike) -> Array:
    """Covariance of the results of a function, to first order.

    Parameters
    ----------
    function : callable
        Takes the inputs, shape (n,), and returns the results, shape (m,).
    values : array_like, shape (n,)
        Best estimates of the inputs.
    covariance : array_like, shape (n, n)
        Their covariance; the derivatives are central differences over a thousandth of its square roots.

    Returns
    -------
    ndarray of float64, shape (m, m)

    Raises
    ------
    ValueError
        If the covariance does not fit the values.

    References
    ----------
    JCGM 100:2008, 5.1.3 note 2 and H.2.3.
    """
    x, cov = np.asarray(values, dtype=float), np.asarray(covariance, dtype=float)
    if x.ndim != 1 or cov.shape != (len(x), len(x)):
        raise ValueError(f"covariance must have shape (n, n) for n values; got {cov.shape} for {x.shape}")
    steps = np.diag(1e-3 * np.sqrt(np.diag(cov)))
    columns = [
        (np.atleast_1d(np.asarray(function(x + step), dtype=float)) - np.atleast_1d(function(x - step))) / (2 * size)
        if (size := float(step.sum())) > 0
        else np.zeros_like(np.atleast_1d(np.asarray(function(x), dtype=float)))
        for step in steps
    ]
    jacobian = np.column_stack(columns)
    return np.asarray(jacobian @ cov @ jacobian.T, dtype=float)
