"""palette-effective-hues is a worked example: how many hues a palette has, weighed by their chroma."""

import numpy as np
from commonvat_sdk import Method, NotComputed, Number, Source, score


def hues(group):
    """Hue angles in degrees and chromas of the cells that aren't nearly grey."""
    chroma = np.hypot(group.a, group.b)
    seen = chroma >= group.number("least_chroma")
    if seen.sum() < 2:
        raise NotComputed("fewer than 2 cells that aren't nearly grey")
    return np.degrees(np.arctan2(group.b[seen], group.a[seen])) % 360, chroma[seen]


@score("effective_hues", "Number of equal hues as diverse as the cells' hues weighed by chroma.", unit="1", higher_is_wider=True, least_cells=2)
def effective_hues(group):
    angles, chroma = hues(group)
    weight = np.bincount((angles // 10).astype(int) % 36, weights=chroma)  # 36 bins of 10 degrees, half open
    share = weight[weight > 0] / chroma.sum()
    return np.exp(-np.sum(share * np.log(share)))


@score("largest_hue_gap_deg", "Largest arc of hue without any cell.", unit="degrees", higher_is_wider=False, least_cells=2)
def largest_hue_gap(group):
    angles = np.sort(hues(group)[0])
    return np.max(np.diff(angles, append=angles[0] + 360))


METHOD = Method(
    name="palette-effective-hues", version="0.1.0", author="The Commonvat Authors", scores=[effective_hues, largest_hue_gap],
    summary="Exponential of the entropy of chroma over 36 bins of hue, and the largest gap between hues.",
    sources=[Source("Jost, L., Entropy and diversity, Oikos 113 (2006) 363-375", "10.1111/j.2006.0030-1299.14714.x", "order 1")],
    parameters=[Number("least_chroma", "Cells of less chroma count as grey.", "CIELAB units", 5, 0, 50)],
    laws=["order_free", "replication_free"])
