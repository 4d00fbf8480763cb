"""Bad streams are refused by field, and nothing else happens, whatever comes."""

import random
import unittest
from unittest import mock

import numpy  # noqa: F401  (so that tables are of arrays, where not said otherwise)
from commonvat_sdk import Method, contracts, faults, palette, score, table

REQUEST = contracts.message(palette.CONTRACT + ".ScorePalettesRequest")


@score("cells", "Number of cells.", unit="1", higher_is_wider=True)
def cells(group):
    return len(group)


METHOD = Method(name="cells", version="1.0.0", author="x", summary="x", scores=[cells])
METHOD.describe()
METHOD.methods()


class Call:
    def check(self):
        pass


def stream(readings=3, relabellings=1):
    """A sound stream."""
    head = REQUEST()
    head.header.condition.illuminant = head.header.condition.observer = 1
    head.header.labels.groups.extend(["x", "y"])
    head.header.labels.blocks.append("")
    head.header.labels.strata.append("")
    head.header.labels.cells.extend(["c", "d"])
    head.header.row_count, head.header.relabelling_count = readings, relabellings
    body = REQUEST()
    c = body.columns.colours
    for i in range(readings):
        c.reading_id.append(f"r{i}")
        c.group.append(i % 2)
        c.block.append(0)
        c.stratum.append(0)
        c.cell.append(i % 2)
        c.l.append(50)
        c.a.append(-3)
        c.b.append(4)
    tail = REQUEST()
    tail.relabelling.group.extend([1, 0])
    return [head, body] + [tail] * relabellings


def answers(messages):
    return list(METHOD.answer(iter(messages), Call()))


class Streams(unittest.TestCase):
    def test_a_sound_one(self):
        got = answers(stream())
        self.assertEqual([[(g.group, g.scores[0].value) for g in m.groups] for m in got], [[(0, 1), (1, 1)], [(0, 1), (1, 1)]])

    def test_faults_by_field(self):
        def spoilt(change, n=3, relabellings=1):
            s = stream(n, relabellings)
            change(s)
            with self.assertRaises(faults.Refused) as caught:
                answers(s)
            return dict(caught.exception.violations)

        def column(name, i, x):
            return lambda s: getattr(s[1].columns.colours, name).__setitem__(i, x)

        for change, field, says in (
            (lambda s: s.clear(), "header", "is missing: the stream is empty"),
            (lambda s: s.pop(0), "header", "is missing: it isn't the first"),
            (lambda s: s[0].header.ClearField("labels"), "header.labels", "is missing"),
            (lambda s: s[0].header.ClearField("condition"), "header.condition", "is missing"),
            (lambda s: s[0].header.labels.cells.__setitem__(1, "c"), "header.labels.cells[1]", 'is "c", as is [0]'),
            (lambda s: s[0].header.labels.blocks.append(""), "header.labels.blocks[1]", "only blocks[0]"),
            (lambda s: setattr(s[0].header, "row_count", 4), "header.row_count", "is 4, but 3 rows came"),
            (lambda s: setattr(s[0].header, "row_count", 2), "header.row_count", "is 2, but at least 3 rows came"),
            (lambda s: setattr(s[0].header, "row_count", -1), "header.row_count", "is -1, want 0 to 10000000"),
            (lambda s: s[0].header.scores.append("hue"), "header.scores[0]", 'is "hue", want one of cells'),
            (lambda s: s.insert(2, s[0]), "header", "comes again after 3 rows"),
            (lambda s: s.insert(2, REQUEST()), "part", "is empty after 3 rows"),
            (lambda s: s.pop(), "header.relabelling_count", "is 1, but 0 relabellings came"),
            (lambda s: s.append(s[2]), "header.relabelling_count", "is 1, but at least 2 relabellings came"),
            (lambda s: s[2].relabelling.group.pop(), "relabelling.group", "of relabelling 1 has 1 units, want 2"),
            (lambda s: s[2].relabelling.group.__setitem__(1, 2), "relabelling.group[1]", "is 2, want 0 to 1"),
            (lambda s: s[1].columns.colours.cell.pop(), "columns.cell", "has 2 rows from row 0 on, want 3"),
            (lambda s: s[1].columns.age_days.append(1), "columns.age_days", "has 1 rows, want 0"),
            (lambda s: s[1].columns.spectra.SetInParent(), "columns.spectra", "asks for no spectra"),
            (column("reading_id", 2, "r1"), "columns.reading_id[2]", "comes twice"),
            (column("reading_id", 2, "a"), "columns.reading_id[2]", "want ids in ascending order"),
            (column("reading_id", 0, ""), "columns.reading_id[0]", "is empty"),
            (column("group", 1, 2), "columns.group[1]", "of row 1 (reading \"r1\") is 2, want 0 to 1"),
            (column("l", 0, -0.1), "columns.l[0]", "is -0.1, want 0 to 150"),
            (column("l", 1, float("nan")), "columns.l[1]", "is NaN"),
            (column("a", 2, float("inf")), "columns.a[2]", "is +Inf"),
            (column("b", 2, -200.5), "columns.b[2]", "is -200.5, want -200 to 200"),
        ):
            with self.subTest(field=field, says=says):
                said = spoilt(change)
                self.assertIn(field, said)
                self.assertIn(says, said[field])

    def test_faults_are_bounded(self):
        s = stream(300)
        s[1].columns.colours.ClearField("l")
        s[1].columns.colours.l.extend([200] * 300)
        with self.assertRaises(faults.Refused) as caught:
            answers(s)
        self.assertEqual(len(caught.exception.violations), faults.MAX_VIOLATIONS)

    def test_bytes_that_end_too_early(self):
        """An end-group tag is the end of a message that nobody began."""
        with self.assertRaises(faults.Refused) as caught:
            contracts.parse(REQUEST, b"\x0c" + stream()[0].SerializeToString())
        self.assertIn("can't be read as commonvat.module.palette.v2.ScorePalettesRequest", str(caught.exception))

    def test_spoilt_bytes(self):
        """Bytes changed at random are answered, refused, or no message at all."""
        r = random.Random(1)
        sound = [m.SerializeToString() for m in stream()]
        outcomes = set()
        for _ in range(4000):
            spoilt = [bytearray(b) for b in sound]
            for _ in range(r.choice((1, 1, 2, 5))):
                b = r.choice(spoilt)
                at = r.randrange(len(b))
                b[at:at + r.choice((0, 1, 1))] = bytes(r.choices((0, 1, 2, 127, 128, 255, r.randrange(256)), k=r.choice((0, 1, 1, 2))))
            try:
                messages = [contracts.parse(REQUEST, bytes(b)) for b in spoilt]
            except faults.Refused:
                outcomes.add("no message")
                continue
            try:
                answers(messages)
                outcomes.add("answered")
            except faults.Refused as e:
                self.assertTrue(e.violations)
                outcomes.add("refused")
        self.assertEqual(outcomes, {"no message", "answered", "refused"})


class StreamsInLists(Streams):
    """The same without numpy."""

    def setUp(self):
        changed = mock.patch.object(table, "new", table.Table)
        changed.start()
        self.addCleanup(changed.stop)


if __name__ == "__main__":
    unittest.main()
