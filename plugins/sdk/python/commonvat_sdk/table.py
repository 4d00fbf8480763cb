"""The rows of a stream as cells, and their scoring under other groups.

A unit is a distinct combination of group, block, stratum and cell; units are in the order of their first row, which is how
relabellings number them. There are two ways to hold them, with numpy and without, that give the same cells.
"""

import sys
from typing import NamedTuple


class Spectrum(NamedTuple):
    """A spectral reflectance at start_nm, start_nm + step_nm and so on; 0 to 2."""

    start_nm: float
    step_nm: float
    reflectance: object  # an array or a list


def new(ages, spectra):
    """A table for one stream: of arrays when the module has imported numpy."""
    if "numpy" in sys.modules:
        from commonvat_sdk import arrays

        return arrays.Table(ages, spectra)
    return Table(ages, spectra)


class Column(list):
    """A list with the few methods of an array that checks need."""

    def __getitem__(self, at):
        got = super().__getitem__(at)
        return Column(got) if isinstance(at, slice) else got

    def min(self):
        """The least entry."""
        return min(self)

    def max(self):
        """The greatest entry."""
        return max(self)

    def sum(self):
        """The sum, NaN when any entry is."""
        return sum(self)


class Spectra:
    """Sums of the spectra of each unit; those of mixed wavelengths, or of which a reading has none, are None."""

    def __init__(self, plus):
        self._plus = plus  # adds two columns of reflectance
        self._sums = {}

    def add(self, unit, row):
        """Counts the spectrum of a row, None for none, to a unit."""
        self._sums[unit] = self._sum(self._sums[unit], row) if unit in self._sums else row

    def of(self, units, n):
        """The mean spectrum of units with n readings together."""
        out = self._sums.get(units[0])
        for u in units[1:]:
            out = self._sum(out, self._sums.get(u))
        if out is None:
            return None
        (start, step, _), total = out
        return Spectrum(start, step, [x / n for x in total] if isinstance(total, list) else total / n)

    def _sum(self, x, y):
        if x is None or y is None or x[0] != y[0]:
            return None
        return x[0], self._plus(x[1], y[1])


class Cells:
    """The cells of one group in one stratum. members has for each cell its units."""

    def __init__(self, table, readings, l, a, b, age_days, first, members):  # noqa: E741
        self._table, self._first, self._members = table, first, members
        self.readings, self.l, self.a, self.b, self.age_days = readings, l, a, b, age_days

    def lab(self):
        """Colours of the cells."""
        return list(zip(self.l, self.a, self.b))

    def names(self):
        """Names of the cells."""
        return [self._table.labels.cells[self._table.cell[u]] for u in self._first]

    def blocks(self):
        """Names of the blocks of the cells."""
        return [self._table.labels.blocks[self._table.block[u]] for u in self._first]

    def spectra(self):
        """Mean spectra of the cells."""
        return [self._table.spectra.of(list(units), n) for units, n in zip(self._members(), self.readings)]


def ranks(labels):
    """For each label its place among them in alphabetical order."""
    out = [0] * len(labels)
    for place, i in enumerate(sorted(range(len(labels)), key=labels.__getitem__)):
        out[i] = place
    return out


class Table:
    """Units in lists."""

    def __init__(self, ages, spectra):
        self.wants_ages, self.wants_spectra = ages, spectra
        self.labels = None
        self.unit_count = 0
        self.group, self.block, self.stratum, self.cell = [], [], [], []
        self._n, self._l, self._a, self._b, self._age = [], [], [], [], []
        self._index = {}
        self.spectra = Spectra(lambda x, y: [p + q for p, q in zip(x, y)])

    @staticmethod
    def column(x):
        """A column of a message as it is kept."""
        return Column(x)

    def add(self, c, ages, spectra):
        """Adds checked rows."""
        index, n, l, a, b, age = self._index, self._n, self._l, self._a, self._b, self._age  # noqa: E741
        ages = ages or [float("nan")] * len(c["l"])
        for i, key in enumerate(zip(c["group"], c["block"], c["stratum"], c["cell"])):
            u = index.get(key)
            if u is None:
                index[key] = len(n)
                n.append(1)
                l.append(c["l"][i])
                a.append(c["a"][i])
                b.append(c["b"][i])
                age.append(ages[i])
            else:
                n[u] += 1
                l[u] += c["l"][i]
                a[u] += c["a"][i]
                b[u] += c["b"][i]
                age[u] += ages[i]
            if spectra is not None:
                self.spectra.add(index[key], spectra[i])

    def finish(self, labels):
        """Sorts the units, once all rows are there."""
        self.labels = labels
        self.unit_count = len(self._n)
        if self._index:
            self.group, self.block, self.stratum, self.cell = map(list, zip(*self._index))
        blocks, cells = ranks(labels.blocks), ranks(labels.cells)
        self._order = sorted(range(self.unit_count), key=lambda u: (blocks[self.block[u]], cells[self.cell[u]]))

    def own(self):
        """The labelling of the rows themselves."""
        return self.group

    def buckets(self, groups):
        """The groups of a labelling, sorted by stratum and group, each as (stratum, group, Cells).

        Units that it brings into one group, block, stratum and cell become one cell, as they would be if the rows had come so.
        """
        places = {}
        for u in self._order:
            places.setdefault((self.stratum[u], groups[u]), []).append(u)
        for stratum, group in sorted(places):
            cells = []
            for u in places[stratum, group]:
                if cells and (self.block[u], self.cell[u]) == (self.block[cells[-1][0]], self.cell[cells[-1][0]]):
                    cells[-1].append(u)
                else:
                    cells.append([u])
            n, *sums = ([column[c[0]] if len(c) == 1 else sum(column[u] for u in c) for c in cells]
                        for column in (self._n, self._l, self._a, self._b, self._age))
            l, a, b, age = ([x / k for x, k in zip(s, n)] for s in sums)  # noqa: E741
            yield stratum, group, Cells(self, n, l, a, b, age, [c[0] for c in cells], lambda cells=cells: cells)
