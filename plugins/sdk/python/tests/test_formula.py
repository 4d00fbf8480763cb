"""Formulas: what a function of two colours may say of a pair."""

import unittest

from commonvat_sdk import Formula, TooMuch, contracts, faults


class Nobody:
    """A call that never ends."""

    def check(self):
        pass


class Formulas(unittest.TestCase):
    def asked(self, of, pairs=2):
        formula = Formula(name="difference-test", version="0.1.0", author="The Commonvat Authors", summary="A test's.", word="test", printed="test", of=of)
        formula.describe()
        formula.methods()
        request = contracts.message("commonvat.module.difference.v1.ComputeDifferencesRequest")(formula="test")
        request.condition.illuminant = request.condition.observer = 1
        for i in range(pairs):
            pair = request.pairs.add()
            pair.reference.l, pair.sample.l = 50, 50 + 10 * i
        return formula.compute(request, Nobody())

    def test_each_pair_is_answered(self):
        self.assertEqual(list(self.asked(lambda r, s: s.l - r.l).differences), [0, 10])

    def test_too_much_names_the_pair(self):
        def of(reference, sample):
            if sample.l > 50:
                raise TooMuch("60 of lightness, want at most 50")
            return 0

        with self.assertRaises(faults.Refused) as got:
            self.asked(of)
        self.assertTrue(got.exception.too_much)
        self.assertEqual(got.exception.violations, [("pairs[1]", "is too much for test: 60 of lightness, want at most 50")])

    def test_other_exceptions_are_the_modules(self):
        with self.assertRaises(faults.ModuleFault):
            self.asked(lambda r, s: s.nothing)
