"""Which count would settle a dispute: where the suspects' stories differ most."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from countmap.errors import InvalidInput
from countmap.plan import field as joint

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from countmap.plan.units import Units

    Floats = NDArray[np.float64]

CHANCE = "nobody"
"""With a single suspect the rival story is that its count is sound and chance did it."""


def settle(
    units: Units,
    sections: pd.DataFrame,
    counts: pd.DataFrame,
    suspects: Sequence[str],
    *,
    side_access: pd.Series | None = None,
    settings: joint.FieldSettings | None = None,
) -> pd.DataFrame:
    """Rank the places where one more count would tell the suspects apart.

    Parameters
    ----------
    units, sections, counts, side_access, settings
        As :func:`countmap.plan.field.estimate` takes them.
    suspects : sequence of str
        Station ids one of which is wrong.

    Returns
    -------
    DataFrame
        A row a section, the most telling first: ``section_id, nats`` (how strongly the true story is
        expected to beat its nearest rival), ``odds`` (eⁿᵃᵗˢ), and ``expect_<station>``: the flow to
        expect there if that station is the wrong one.

    Raises
    ------
    InvalidInput
        A suspect has no figure.

    Notes
    -----
    Story k: the count of station k says nothing. Each story has its own estimate, without that count,
    and so its own prediction of a new count at every place. The expected ln odds for k against l are
    the Kullback–Leibler divergence of their predictions; a place is worth the mean over k of the least
    over l.

    References
    ----------
    D. V. Lindley, "On a measure of the information provided by an experiment", Annals of Mathematical
    Statistics 27, 1956.
    """
    missing = [one for one in suspects if one not in set(counts["station_id"])]
    if missing or not suspects:
        raise InvalidInput(
            f"station {missing[0]!r} has no figure that could be in dispute"
            if missing
            else "a dispute needs at least one station"
        )
    stories = list(suspects) if len(suspects) > 1 else [*suspects, CHANCE]
    told = [
        joint.estimate(
            units,
            sections,
            counts[counts["station_id"] != story],
            side_access=side_access,
            settings=settings,
        )
        for story in stories
    ]
    predictions = [_prediction(one) for one in told]
    apart = np.stack(
        [
            np.stack([_divergence(a, b) for j, b in enumerate(predictions) if j != i])
            for i, a in enumerate(predictions)
        ]
    )
    nats = apart.min(axis=1).mean(axis=0)
    found = pd.DataFrame({"section_id": units.sections["section_id"], "nats": nats})
    found["odds"] = np.exp(np.minimum(nats, 50.0))
    for story, one in zip(stories, told, strict=True):
        found[f"expect_{story}"] = one.section_flow()
    return (
        found[units.open]
        .sort_values(["nats", "section_id"], ascending=[False, True])
        .reset_index(drop=True)
    )


def _prediction(one: joint.Field) -> tuple[Floats, Floats]:
    """Return mean (sections, 2) and covariance (sections, 2, 2) of ln of a new count of each section."""
    arcs = one.units.of_arc
    there = arcs >= 0
    mean = np.where(there, one.log_flow[arcs], 0.0)
    own = np.where(there, one.factored.variances()[arcs], 0.0)
    error = one.new_error**2
    covariance = np.zeros((len(arcs), 2, 2))
    covariance[:, 0, 0], covariance[:, 1, 1] = own[:, 0] + error, own[:, 1] + error
    two = one.units.two_way
    cross = one.factored.covariances(arcs[two, 0], arcs[two, 1]) + one.sense_share * error
    covariance[two, 0, 1] = covariance[two, 1, 0] = cross
    return mean, covariance


def _divergence(a: tuple[Floats, Floats], b: tuple[Floats, Floats]) -> Floats:
    """Return KL(a ‖ b) by section; a sense that is not there adds nothing."""
    inverse = np.linalg.inv(b[1])
    apart = b[0] - a[0]
    trace = np.einsum("nij,nji->n", inverse, a[1])
    far = np.einsum("ni,nij,nj->n", apart, inverse, apart)
    ratio = np.log(np.linalg.det(b[1]) / np.linalg.det(a[1]))
    found: Floats = 0.5 * (trace + far - 2 + ratio)
    return found
