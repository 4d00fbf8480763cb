"""What can go wrong in a call, and how it is told."""

import math

# What one status carries is bounded, so that it always fits into the trailer; the rest is only counted.
MAX_VIOLATIONS = 50
MAX_VIOLATION_LENGTH = 300


class NotComputed(Exception):
    """Raised by a score that has no value for a group, with the reason in a few words."""


class TooMuch(Exception):
    """Raised by a score or a formula to which what is asked isn't wrong and is more than it takes, with what it takes in a few words, such as
    "40,001 cells, want at most 40,000". The call ends with RESOURCE_EXHAUSTED naming the group or the pair."""


class Cancelled(Exception):
    """The call has ended: its caller went away or its deadline passed. Let it through."""


# Told where a function should have given one.
NO_REASON = "the method gives no reason"


class Refused(Exception):
    """The request is at fault, or with too_much nothing but more than the method takes. violations are pairs of a field and what is wrong with it."""

    def __init__(self, violations, more=0, too_much=False):
        field, description = violations[0]
        text = f"{field} {description}"
        if len(violations) + more > 1:
            text += f" (and {len(violations) + more - 1} more)"
        super().__init__(text)
        self.violations, self.too_much = violations, too_much


class ModuleFault(Exception):
    """The module's own code did what it must not, such as returning NaN."""


class Violations:
    """Collects what is wrong with a request, every fault at once."""

    def __init__(self):
        self._list = []
        self._more = 0

    def add(self, field, description):
        """Notes one fault: the field's path as in the .proto, then what its value is and what is allowed."""
        if len(self._list) >= MAX_VIOLATIONS:
            self._more += 1
        else:
            self._list.append((clip(field), clip(description)))

    def __len__(self):
        return len(self._list) + self._more

    def check(self):
        """Raises Refused when anything was noted."""
        if self._list:
            raise Refused(self._list, self._more)


def clip(text, length=MAX_VIOLATION_LENGTH):
    """Shortens text that quotes a caller's value."""
    return text if len(text) <= length else text[:length] + "..."


def quoted(text):
    """A caller's text as it may stand in a fault."""
    return '"' + clip(text, 60).replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def figure(x):
    """A number as it is written elsewhere in Commonvat: 11 and not 11.0, NaN, +Inf."""
    if math.isnan(x):
        return "NaN"
    if math.isinf(x):
        return "+Inf" if x > 0 else "-Inf"
    if x == int(x) and abs(x) < 1e15:
        return str(int(x))
    return repr(float(x))


def within(violations, field, x, low, high):
    """Notes a number that is NaN or outside of low to high, and tells whether it is fine."""
    if low <= x <= high:
        return True
    violations.add(field, f"is {figure(x)}, want {figure(low)} to {figure(high)}")
    return False


def is_number(x):
    """Tells whether x is a single number, of Python or of numpy."""
    if isinstance(x, (int, float)):
        return not isinstance(x, bool)
    return getattr(x, "ndim", None) == 0 and x.dtype.kind in "iuf"
