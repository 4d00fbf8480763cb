"""Write a difference formula as one function of two colours; serves commonvat.module.difference.v1."""

import math
from dataclasses import dataclass
from typing import Callable, NamedTuple, Optional

from commonvat_sdk import contracts, describe, faults

CONTRACT = "commonvat.module.difference.v1"

# Limits of difference.proto, and how often a long request looks whether its call has ended.
MAX_PAIRS = 10_000
MIN_FACTOR, MAX_FACTOR = 0.1, 10.0
LOOK_EVERY = 256
MAX_LIGHTNESS, MAX_AB = 150, 200


class Colour(NamedTuple):
    """A CIELAB colour: l 0 to 150, a and b -200 to 200."""

    l: float  # noqa: E741
    a: float
    b: float


class Factors(NamedTuple):
    """Parametric factors for lightness, chroma and hue, 0.1 to 10; 1 for a formula without them."""

    l: float = 1.0  # noqa: E741
    c: float = 1.0
    h: float = 1.0


@dataclass
class Formula(describe.Identity):
    """A difference formula. Requests ask for it by its word; printed is how it is told with a result.

    of(reference, sample) gives a finite number, 0 or above; with factors=True it is called as of(reference, sample, factors). It may be
    called by several threads at once.
    """

    word: str = ""
    printed: str = ""
    of: Optional[Callable] = None
    factors: bool = False

    def describe(self):
        """The module's DescribeResponse. Raises describe.Incomplete."""
        if not self.word or not self.printed or not callable(self.of):
            raise describe.Incomplete("a formula wants word, printed and of")
        parameters = [describe.Choice("formula", "The formula.", (self.word,))]
        if self.factors:
            parameters += [describe.Number(name, f"Parametric factor for {what}.", "1", 1, MIN_FACTOR, MAX_FACTOR)
                           for name, what in (("k_l", "lightness"), ("k_c", "chroma"), ("k_h", "hue"))]
        return self.description("difference", CONTRACT, parameters)

    def methods(self):
        """The handlers that serving offers, by full method name: unary ones take and give one message."""
        self._request = contracts.message(CONTRACT + ".ComputeDifferencesRequest")
        self._response = contracts.message(CONTRACT + ".ComputeDifferencesResponse")
        return {"unary": {f"/{CONTRACT}.DifferenceService/ComputeDifferences": (self._request, self.compute)}, "stream": {}}

    def compute(self, request, call):
        """Answers each pair, or none when a fault is found."""
        v = faults.Violations()
        contracts.check_condition(v, "condition", request)
        if request.formula != self.word:
            v.add("formula", f"is {faults.quoted(request.formula)}, want {self.word}")
        k = Factors(*(self._factor(v, name, getattr(request, name)) for name in ("k_l", "k_c", "k_h")))
        if not 1 <= len(request.pairs) <= MAX_PAIRS:
            v.add("pairs", f"has {len(request.pairs)} pairs, want 1 to {MAX_PAIRS}")
            v.check()
        pairs = [(_colour(v, p, i, "reference"), _colour(v, p, i, "sample")) for i, p in enumerate(request.pairs)]
        v.check()
        printed = self.printed
        if self.factors:
            printed += ", kL = {}, kC = {}, kH = {}".format(*map(faults.figure, k))
        out = self._response(formula=printed)
        for i, (reference, sample) in enumerate(pairs):
            if i % LOOK_EVERY == 0:
                call.check()
            try:
                d = self.of(reference, sample, k) if self.factors else self.of(reference, sample)
            except faults.TooMuch as more:
                said = f"is too much for {self.word}: {str(more) or faults.NO_REASON}"
                raise faults.Refused([(f"pairs[{i}]", faults.clip(said))], too_much=True) from more
            except BaseException as e:
                raise faults.ModuleFault(f"difference of pairs[{i}]: {type(e).__name__}: {e}") from e
            if not faults.is_number(d) or not 0 <= d < math.inf:
                raise faults.ModuleFault(f"difference of pairs[{i}] is {d!r}, want a finite number, 0 or above")
            out.differences.append(float(d))
        return out

    def _factor(self, v, field, k):
        if self.factors:
            if k != 0:
                faults.within(v, field, k, MIN_FACTOR, MAX_FACTOR)
            return k or 1.0
        if k not in (0, 1):
            v.add(field, f"is {faults.figure(k)}, want 0 or 1: {self.word} has no factors")
        return 1.0


def _colour(v, pair, i, side):
    if not pair.HasField(side):
        v.add(f"pairs[{i}].{side}", "is missing, want l, a and b")
        return None
    m = getattr(pair, side)
    c = Colour(m.l, m.a, m.b)
    if not (0 <= c.l <= MAX_LIGHTNESS and -MAX_AB <= c.a <= MAX_AB and -MAX_AB <= c.b <= MAX_AB):
        faults.within(v, f"pairs[{i}].{side}.l", c.l, 0, MAX_LIGHTNESS)
        faults.within(v, f"pairs[{i}].{side}.a", c.a, -MAX_AB, MAX_AB)
        faults.within(v, f"pairs[{i}].{side}.b", c.b, -MAX_AB, MAX_AB)
    return c
