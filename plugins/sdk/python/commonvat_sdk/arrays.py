"""The table of units with numpy."""

import operator

import numpy as np

from commonvat_sdk import table


class Cells(table.Cells):
    """The cells of one group in one stratum, as arrays."""

    def lab(self):
        """Colours of the cells, one row each."""
        return np.column_stack((self.l, self.a, self.b))


class Table:
    """Units in arrays."""

    def __init__(self, ages, spectra):
        self.wants_ages, self.wants_spectra = ages, spectra
        self.labels = None
        self.unit_count = 0
        self.spectra = table.Spectra(operator.add)
        self._chunks = []
        self._row_spectra = []

    @staticmethod
    def column(x):
        """A column of a message as it is kept."""
        return np.array(x)

    def add(self, c, ages, spectra):
        """Adds checked rows."""
        self._chunks.append((*(c[x].astype(np.int32) for x in ("group", "block", "stratum", "cell")), c["l"], c["a"], c["b"], *([] if ages is None else [ages])))
        if spectra is not None:
            self._row_spectra += spectra

    def finish(self, labels):
        """Finds and sorts the units, once all rows are there."""
        self.labels = labels
        if not self._chunks:
            self.group = self.block = self.stratum = self.cell = np.zeros(0, np.int64)
            return
        chunks, self._chunks = self._chunks, []
        group, block, stratum, cell, *columns = map(np.concatenate, zip(*chunks))
        del chunks
        # At most 1e7 distinct pairs of block and cell, 1e4 groups and 1e6 strata: the key stays below 2**63.
        pairs, pair = np.unique(block.astype(np.int64) * len(labels.cells) + cell, return_inverse=True)
        key = stratum.astype(np.int64) * len(labels.groups) + group
        _, first, unit = np.unique(key * len(pairs) + pair.reshape(-1), return_index=True, return_inverse=True)
        order = np.argsort(first)
        place = np.empty_like(order)
        place[order] = np.arange(len(order))
        unit, first = place[unit.reshape(-1)], first[order]
        self.unit_count = len(first)
        self.group, self.block, self.stratum, self.cell = (x[first].astype(np.int64) for x in (group, block, stratum, cell))
        sums = [np.bincount(unit), *(np.bincount(unit, weights=x) for x in columns)]
        if not self.wants_ages:
            sums.append(np.full(self.unit_count, np.nan))
        for u, row in zip(unit.tolist(), self._row_spectra):
            self.spectra.add(u, row)
        self._row_spectra = []

        rank = np.asarray(table.ranks(labels.blocks))[self.block], np.asarray(table.ranks(labels.cells))[self.cell]
        self._order = np.lexsort((np.arange(self.unit_count), rank[1], rank[0], self.stratum))
        self._sums = [s[self._order] for s in sums]
        self._stratum = self.stratum[self._order]
        # Equal for units of one block and cell.
        self._pair = pair.reshape(-1)[first][self._order]

    def own(self):
        """The labelling of the rows themselves."""
        return self.group

    def buckets(self, groups):
        """The groups of a labelling, sorted by stratum and group, each as (stratum, group, Cells); see table.Table."""
        if not self.unit_count:
            return
        count = len(self.labels.groups)
        key = self._stratum * count + np.asarray(groups, np.int64)[self._order]
        turn = np.argsort(key, kind="stable")
        key, pair, units = key[turn], self._pair[turn], self._order[turn]
        new_group = np.concatenate(([True], key[1:] != key[:-1]))
        starts = np.flatnonzero(new_group | np.concatenate(([True], pair[1:] != pair[:-1])))
        n, *sums = (np.add.reduceat(s[turn], starts) for s in self._sums)
        means = [s / n for s in sums]
        ends = np.append(starts[1:], len(units))
        of = np.flatnonzero(new_group[starts])  # the first cell of each group
        for x, y in zip(of, np.append(of[1:], len(starts))):
            stratum, group = divmod(int(key[starts[x]]), count)
            yield stratum, group, Cells(self, n[x:y], *(m[x:y] for m in means), units[starts[x:y]],
                                        lambda x=x, y=y: [units[s:e].tolist() for s, e in zip(starts[x:y], ends[x:y])])
