"""difference-hyab is a worked example: a formula for large differences, in which lightness adds to the distance of hue and chroma."""

import math

from commonvat_sdk import Formula, Source


def difference(reference, sample):
    return abs(reference.l - sample.l) + math.hypot(reference.a - sample.a, reference.b - sample.b)


METHOD = Formula(
    name="difference-hyab", version="0.1.0", author="The Commonvat Authors", word="hyab", printed="HyAB",
    summary="Difference of lightness plus the distance in a* and b*, for colours far apart.", of=difference,
    sources=[Source("Abasi, S., Amani Tehran, M., Fairchild, M. D., Distance metrics for very large color differences, "
                    "Color Research and Application 45 (2020) 208-223", "10.1002/col.22451", "the formula HyAB")],
    laws=["identity", "symmetry", "order_free", "shift_invariant", "linear"])
