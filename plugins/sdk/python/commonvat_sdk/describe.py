"""What a module says about itself: the fields of commonvat.module.describe.v1, in Python's words."""

import math
import re
from dataclasses import dataclass, field
from typing import Optional

from commonvat_sdk import contracts, faults

PACKAGE = "commonvat.module.describe.v1."

_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_WORD = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
_VERSION = re.compile(r"(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)(-[0-9A-Za-z.-]+)?(\+[0-9A-Za-z.-]+)?")


class Incomplete(Exception):
    """The module can't be served as it describes itself."""


@dataclass(frozen=True)
class Source:
    """A publication on which a method rests; identifier is a DOI, ISBN or standard number."""

    citation: str
    identifier: str = ""
    used_for: str = ""


@dataclass(frozen=True)
class Number:
    """A parameter that is a finite number. unit is "1" for a number without one; minimum and maximum are None for no bound."""

    name: str
    summary: str
    unit: str
    default: float
    minimum: Optional[float] = None
    maximum: Optional[float] = None
    whole: bool = False

    def describe(self, p):
        """Fills in a Parameter."""
        p.name, p.summary = self.name, self.summary
        n = p.number
        n.unit, n.default_value, n.whole = self.unit, self.default, self.whole
        if self.minimum is not None:
            n.minimum = self.minimum
        if self.maximum is not None:
            n.maximum = self.maximum
        if not self._fits(self.default):
            raise Incomplete(f"parameter {self.name}: default is {self.default!r}, which is out of its own range")

    def _fits(self, x):
        low = -math.inf if self.minimum is None else self.minimum
        high = math.inf if self.maximum is None else self.maximum
        return math.isfinite(x) and low <= x <= high and not (self.whole and x != int(x))

    def read(self, violations, at, value):
        """The value that a request sets, or None with what is wrong noted."""
        kind = value.WhichOneof("value")
        if kind != "number":
            violations.add(f"{at}.{kind or 'value'}", f"is {'set' if kind else 'missing'}, but {self.name} is a number")
            return None
        x = value.number
        if self._fits(x):
            return x
        low = "the least number" if self.minimum is None else faults.figure(self.minimum)
        high = "the greatest" if self.maximum is None else faults.figure(self.maximum)
        violations.add(f"{at}.number", f"is {faults.figure(x)}, want {'a whole number, ' if self.whole else ''}{low} to {high}")
        return None


@dataclass(frozen=True)
class Choice:
    """A parameter that is one of several words; the first is the default."""

    name: str
    summary: str
    words: tuple

    @property
    def default(self):
        """The first word."""
        return self.words[0]

    def describe(self, p):
        """Fills in a Parameter."""
        p.name, p.summary = self.name, self.summary
        if not self.words or len(set(self.words)) != len(self.words) or "" in self.words:
            raise Incomplete(f"parameter {self.name}: words are {self.words!r}, want at least one, none empty, no two alike")
        p.choice.default_value = self.words[0]
        p.choice.choices.extend(self.words)

    def read(self, violations, at, value):
        """The value that a request sets, or None with what is wrong noted."""
        kind = value.WhichOneof("value")
        if kind != "choice":
            violations.add(f"{at}.{kind or 'value'}", f"is {'set' if kind else 'missing'}, but {self.name} is one of {', '.join(self.words)}")
        elif value.choice not in self.words:
            violations.add(f"{at}.choice", f"is {faults.quoted(value.choice)}, want one of {', '.join(self.words)}")
        else:
            return value.choice
        return None


@dataclass(frozen=True)
class LawPromise:
    """A law that the module keeps, for all its scores or formulas or for those named; see Law in describe.proto.

    law is a word such as "order_free". relative_tolerance 0 means 1e-9.
    """

    law: str
    of: tuple = ()
    relative_tolerance: float = 0.0


@dataclass(frozen=True)
class LawException:
    """A law that is expected of the kind and not kept, with the reason in one sentence."""

    law: str
    reason: str
    of: tuple = ()


@dataclass
class Identity:
    """What modules of every kind say of themselves."""

    name: str
    version: str
    author: str
    summary: str
    sources: list = field(default_factory=list)
    laws: list = field(default_factory=list)  # words or LawPromise
    exceptions: list = field(default_factory=list)

    def description(self, kind, contract, parameters):
        """The DescribeResponse. Raises Incomplete."""
        if len(self.name) > 40 or not _NAME.fullmatch(self.name):
            raise Incomplete(f"name is {self.name!r}, want at most 40 lower-case letters, digits and single hyphens, beginning with a letter")
        if not _VERSION.fullmatch(self.version):
            raise Incomplete(f"version is {self.version!r}, want a semantic version such as 1.2.0")
        if not 1 <= len(self.summary.encode()) <= 500:
            raise Incomplete(f"summary has {len(self.summary.encode())} bytes, want 1 to 500")
        if not self.author:
            raise Incomplete("author is empty")
        d = contracts.message(PACKAGE + "DescribeResponse")(
            name=self.name, version=self.version, kind=kind, contracts=[contract], author=self.author, summary=self.summary)
        for s in self.sources:
            d.sources.add(citation=s.citation, identifier=s.identifier, used_for=s.used_for)
        seen = set()
        for p in parameters:
            if not _WORD.fullmatch(p.name) or p.name in seen:
                raise Incomplete(f"parameter name is {p.name!r}, want each once, of lower-case letters, digits and underscores")
            seen.add(p.name)
            p.describe(d.parameters.add())
        for law in self.laws:
            law = LawPromise(law) if isinstance(law, str) else law
            d.laws.add(law=law_number(law.law), of=law.of, relative_tolerance=law.relative_tolerance)
        for x in self.exceptions:
            d.law_exceptions.add(law=law_number(x.law), of=x.of, reason=x.reason)
        return d


def law_number(word):
    """The number of a law by its word."""
    laws = {name[len("LAW_"):].lower(): number for name, number in contracts.enum(PACKAGE + "Law").items() if number}
    if word not in laws:
        raise Incomplete(f"law is {word!r}, want one of {', '.join(laws)}")
    return laws[word]


def read_values(violations, at, parameters, set_values):
    """The values of parameters in one request: those set, the others by default. Faults are noted."""
    values = {p.name: p.default for p in parameters}
    by_name = {p.name: p for p in parameters}
    seen = set()
    for i, s in enumerate(set_values):
        here = f"{at}[{i}]"
        if s.name not in by_name:
            violations.add(here + ".name", f"is {faults.quoted(s.name)}, "
                           + (f"want one of {', '.join(by_name)}" if by_name else "but the module has no parameters"))
        elif s.name in seen:
            violations.add(here + ".name", f"is {faults.quoted(s.name)}, which is set before: want each once")
        else:
            seen.add(s.name)
            values[s.name] = by_name[s.name].read(violations, here, s)
    return values
