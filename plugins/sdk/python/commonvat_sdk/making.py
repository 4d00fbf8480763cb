"""Groups for an author's tests, without a process."""

import sys

from commonvat_sdk import palette


def make_group(lab, *, blocks=None, cells=None, readings=None, age_days=None, spectra=None, values=None, seed=0, name="group", stratum=""):
    """A Group with a cell for each (L*, a*, b*) of lab; what isn't given is as if it weren't known. values are those of parameters, by name."""
    n = len(lab)
    made = Made([float(x[i]) for x in lab] for i in range(3))
    made.readings = _column(readings or [1] * n)
    made.age_days = _column(age_days or [float("nan")] * n)
    made.texts = blocks or [""] * n, cells or [f"cell {i}" for i in range(n)], spectra or [None] * n
    ask = palette.Asked()
    ask.seed, ask.values = seed, values or {}
    return palette.Group(name, stratum, made, ask, _Nobody())


def _column(x):
    """A column as scores get it: see palette.Group."""
    return sys.modules["numpy"].array(x) if "numpy" in sys.modules else list(x)


class Made:
    """Cells that come from no stream."""

    def __init__(self, lab):
        self.l, self.a, self.b = map(_column, lab)

    def lab(self):
        """Colours of the cells."""
        return sys.modules["numpy"].column_stack((self.l, self.a, self.b)) if "numpy" in sys.modules else list(zip(self.l, self.a, self.b))

    def blocks(self):
        """Names of the blocks of the cells."""
        return self.texts[0]

    def names(self):
        """Names of the cells."""
        return self.texts[1]

    def spectra(self):
        """Mean spectra of the cells."""
        return self.texts[2]


class _Nobody:
    """A call that never ends."""

    def check(self):
        pass
