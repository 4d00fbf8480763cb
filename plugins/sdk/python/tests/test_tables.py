"""Both tables of units against a third way to count: sorting the rows themselves, with exact fractions."""

import math
import random
import types
import unittest
from collections import defaultdict
from fractions import Fraction

import numpy as np
from commonvat_sdk import arrays, table

LABELS = types.SimpleNamespace(groups=["w", "x", "y"], blocks=["", "s2", "s1"], strata=["", "linen"], cells=["deep", "b", "a"])


def rows(r, n):
    """Rows of few labels, so that many are replicates; some ages and spectra aren't known."""
    out = []
    for _ in range(n):
        known = r.random() < 0.9
        steps = (400.0, 10.0, 4) if r.random() < 0.95 else (410.0, 10.0, 4)
        out.append({
            "group": r.randrange(3), "block": r.randrange(3), "stratum": r.randrange(2), "cell": r.randrange(3),
            "l": r.uniform(0, 150), "a": r.uniform(-200, 200), "b": r.uniform(-200, 200),
            "age": math.nan if r.random() < 0.1 else r.uniform(0, 400), "spectrum": (steps, [r.random() for _ in range(4)]) if known else None})
    return out


def filled(t, data):
    """Puts rows into a table, in chunks."""
    for at in range(0, len(data), 7):
        chunk = data[at:at + 7]
        columns = {x: t.column([row[x] for row in chunk]) for x in ("group", "block", "stratum", "cell", "l", "a", "b")}
        t.add(columns, t.column([row["age"] for row in chunk]),
              [row["spectrum"] and (row["spectrum"][0], t.column(row["spectrum"][1])) for row in chunk])
    t.finish(LABELS)
    return t


def units(data):
    """Units in the order of their first row."""
    return list(dict.fromkeys((x["group"], x["block"], x["stratum"], x["cell"]) for x in data))


def expected(data, groups):
    """What a labelling must give: (stratum, group) and for each cell its names and means."""
    to = dict(zip(units(data), groups))
    cells = defaultdict(list)
    for x in data:
        u = x["group"], x["block"], x["stratum"], x["cell"]
        cells[x["stratum"], to[u], LABELS.blocks[x["block"]], LABELS.cells[x["cell"]]].append(x)
    out = defaultdict(list)
    for (stratum, group, block, cell), members in sorted(cells.items()):
        def mean(values):
            return float(sum(map(Fraction, values)) / len(members))
        age = [x["age"] for x in members]
        curves = [x["spectrum"] for x in members]
        spectrum = None
        if all(curves) and len({c[0] for c in curves}) == 1:
            spectrum = [mean(c[1][i] for c in curves) for i in range(4)]
        out[stratum, group].append((block, cell, len(members), *(mean(x[k] for x in members) for k in "lab"),
                                    math.nan if any(map(math.isnan, age)) else mean(age), spectrum))
    return out


class Tables(unittest.TestCase):
    def check(self, t, data, groups):
        want = expected(data, groups)
        got = list(t.buckets(groups))
        self.assertEqual([(stratum, group) for stratum, group, _ in got], sorted(want))
        for stratum, group, cells in got:
            self.assertEqual(len(cells.l), len(want[stratum, group]))
            spectra = cells.spectra()
            for i, (block, cell, n, l, a, b, age, spectrum) in enumerate(want[stratum, group]):
                self.assertEqual((cells.blocks()[i], cells.names()[i], cells.readings[i]), (block, cell, n))
                for x, y in ((cells.l[i], l), (cells.a[i], a), (cells.b[i], b), (cells.lab()[i][2], b)):
                    self.assertAlmostEqual(x, y, 10)
                self.assertTrue(math.isnan(cells.age_days[i]) if math.isnan(age) else abs(cells.age_days[i] - age) < 1e-9)
                self.assertEqual(spectra[i] is None, spectrum is None)
                if spectrum:
                    np.testing.assert_allclose(spectra[i].reflectance, spectrum, rtol=1e-12)

    def test_both_against_the_rows(self):
        for seed in range(60):
            r = random.Random(seed)
            data = rows(r, r.choice((1, 2, 9, 60)))
            for make in (table.Table, arrays.Table):
                with self.subTest(seed=seed, table=make.__module__):
                    t = filled(make(True, True), data)
                    self.assertEqual(t.unit_count, len(units(data)))
                    self.assertEqual(list(t.own()), [u[0] for u in units(data)])
                    self.check(t, data, list(t.own()))
                    for _ in range(3):  # a labelling leaves nothing behind for the next
                        self.check(t, data, [r.randrange(3) for _ in range(t.unit_count)])
                    self.check(t, data, list(t.own()))

    def test_no_rows(self):
        for make in (table.Table, arrays.Table):
            t = make(False, False)
            t.finish(LABELS)
            self.assertEqual((t.unit_count, list(t.own()), list(t.buckets([]))), (0, [], []))

    def test_many_labels_do_not_overflow(self):
        """The largest labels that a header may have, of which the key of a unit is a product."""
        labels = types.SimpleNamespace(groups=range(10_000), blocks=[str(i) for i in range(100_000)], strata=range(1_000_000),
                                       cells=[str(i) for i in range(1_000_000)])
        t = arrays.Table(False, False)
        last = {"group": 9_999, "block": 99_999, "stratum": 999_999, "cell": 999_999}
        columns = {x: np.array([n, n, n - 1]) for x, n in last.items()}
        t.add({**columns, **{x: np.array([1.0, 2.0, 3.0]) for x in "lab"}}, None, None)
        t.finish(labels)
        self.assertEqual([(s, g, list(c.l)) for s, g, c in t.buckets(t.own())], [(999_998, 9_998, [3.0]), (999_999, 9_999, [1.5])])


if __name__ == "__main__":
    unittest.main()
