"""Balance problems from an incidence matrix, and the same solved by full matrices: the reference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import breadth_first_order

from countmap.balance.contract import Contraction, Network, contract
from countmap.balance.equations import Equations, Errors, equations
from countmap.balance.solve import Problem


def problem(incidence, counts, variances, *, slack=None, shared=None):
    """Return a problem of one block an equation; ``slack`` are variances of the equations."""
    a = np.asarray(incidence, dtype=int)
    m, n = a.shape
    ends = [
        np.where((a == one).any(axis=0), (a == one).argmax(axis=0), -1).astype(np.intp)
        for one in (-1, 1)
    ]
    none = np.zeros(0, dtype=np.intp)
    equations = Equations(
        *ends, none, none, none, sparse.csc_array(np.eye(m)), np.zeros((0, 2), np.intp),
        np.arange(m), m,
    )  # fmt: skip
    errors = Errors(
        np.asarray(variances, dtype=float),
        np.zeros(0),
        np.zeros((n, 0)) if shared is None else np.asarray(shared, dtype=float),
    )
    slack = np.zeros(m) if slack is None else np.asarray(slack, dtype=float)
    return Problem(equations, np.asarray(counts, dtype=float), errors, slack)


@dataclass(frozen=True)
class Full:
    """The full matrices of a problem over its areas: A, S, Q, H⁻¹ and what follows from them."""

    a: np.ndarray
    s: np.ndarray
    weight: np.ndarray
    flow: np.ndarray
    covariance: np.ndarray
    gamma: float


def errors_of(one):
    """Return S in full."""
    return errors_of_parts(one.errors, one.equations.pairs)


def full(one):
    """Solve a problem by full matrices over its areas."""
    e = one.equations
    a, s = e.by_area.toarray(), errors_of(one)
    b = (e.sums @ e.slack).toarray()
    h = a @ s @ a.T + (b * one.source_variance) @ b.T
    weight = np.linalg.inv(h) if len(h) else h
    r = a @ one.counts
    gain = s @ a.T @ weight
    return Full(a, s, weight, one.counts - gain @ r, s - gain @ a @ s, float(r @ weight @ r))


@dataclass(frozen=True)
class Drawn:
    """A random graph with true flows that conserve, its contraction and its problem."""

    network: Network
    found: Contraction
    problem: Problem
    truth: np.ndarray
    loads: sparse.csc_array


def drawn(rng, n, arcs, share, *, slack=True, shared=0, paired=True, noise=0.2):
    """Return a random graph of ``n`` vertices (0 the outside) and about ``arcs`` arcs, some counted.

    Arcs come in two-way couples and one by one; flows are circuits through the outside; the counts are off
    by ``noise`` times the errors that the problem says they have.
    """
    tail, head = ends(rng, n, arcs)
    truth = circuits(rng, n, tail, head)
    kept = truth > 0
    tail, head, truth = tail[kept], head[kept], truth[kept]
    counted = np.flatnonzero(rng.random(len(tail)) < share)
    count = np.full(len(tail), -1, dtype=np.intp)
    count[counted] = rng.permutation(len(counted))
    network = Network(n, tail, head, count, np.zeros(len(tail), dtype=bool))
    found = contract(network)
    k = len(counted)
    pairs = rng.permutation(k)[: 2 * (k // 3)].reshape(-1, 2) if paired else np.zeros((0, 2), int)
    sources = 2 * n if slack else 0
    where = rng.integers(1, n, (2, sources))
    loads = sparse.csc_array(
        (np.repeat([1.0, -1.0], sources), (where.ravel(), np.tile(np.arange(sources), 2))),
        shape=(n, sources),
    )
    y = np.empty(k)
    y[count[counted]] = truth[counted]
    own = (rng.uniform(0.02, 0.08, k) * y) ** 2 + 1.0
    tie = rng.uniform(-0.6, 0.6, len(pairs)) * np.sqrt(own[pairs[:, 0]] * own[pairs[:, 1]])
    errors = Errors(own, tie, 0.03 * y[:, None] * rng.random((k, shared)))
    off = np.linalg.cholesky(errors_of_parts(errors, pairs)) @ rng.normal(size=k)
    source = rng.uniform(0.0, 40.0, sources) ** 2
    system = equations(found, loads, pairs)
    return Drawn(network, found, Problem(system, y + noise * off, errors, source), truth, loads)


def ends(rng, n, arcs):
    """Return tails and heads: a tree of couples, then couples and single arcs at random."""
    a = np.array([rng.integers(i) for i in range(1, n)])
    b = np.arange(1, n)
    more = max((arcs - 2 * (n - 1)) // 2, 0)
    c, d = rng.integers(n, size=(2, more))
    single = rng.random(more) < 0.3
    tail = np.concatenate([a, b, c, d[~single]])
    head = np.concatenate([b, a, d, c[~single]])
    return tail.astype(np.intp), head.astype(np.intp)


def circuits(rng, n, tail, head):
    """Return flows that conserve everywhere but at vertex 0: ways there and back for each vertex."""
    graph = sparse.csr_array((np.ones(len(tail)), (tail, head)), shape=(n, n))
    arc = {}
    for i, key in enumerate(zip(tail.tolist(), head.tolist(), strict=True)):
        arc.setdefault(key, []).append(i)
    out = breadth_first_order(graph, 0, return_predecessors=True)[1]
    back = breadth_first_order(graph.T.tocsr(), 0, return_predecessors=True)[1]
    flow = np.zeros(len(tail))
    for v in range(1, n):
        amount = float(rng.uniform(20, 400))
        for towards, way in ((out, True), (back, False)):
            here = v
            while here != 0 and towards[here] >= 0:
                key = (towards[here], here) if way else (here, towards[here])
                flow[rng.choice(arc[key])] += amount
                here = towards[here]
    return flow


def errors_of_parts(errors, pairs):
    s = np.diag(errors.own) + errors.shared @ errors.shared.T
    s[pairs[:, 0], pairs[:, 1]] += errors.pair
    s[pairs[:, 1], pairs[:, 0]] += errors.pair
    return s


def node_incidence(network):
    """Return +1 and −1 of every arc at every vertex but the outside."""
    n, k = network.n, len(network.tail)
    b = np.zeros((n, k))
    np.add.at(b, (network.head, np.arange(k)), 1.0)
    np.add.at(b, (network.tail, np.arange(k)), -1.0)
    return b[1:]
