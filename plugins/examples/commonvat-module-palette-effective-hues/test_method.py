"""Tests of palette-effective-hues, without a process: python3 -m unittest"""

import math
import unittest

import method
import numpy as np
from commonvat_sdk import NotComputed, make_group


def group(*colours):
    return make_group(colours, values={"least_chroma": 5.0})


class Hues(unittest.TestCase):
    def test_five_colours(self):
        """By hand: chromas in five bins; hues of 29.7, 33.7, 78.7, 128.7 and 279.5 degrees."""
        g = group((45, 35, 20), (47, 33, 22), (60, 10, 50), (58, -20, 25), (35, 5, -30))
        shares = [x / 193.4 for x in (40.31, 39.66, 50.99, 32.02, 30.41)]
        self.assertAlmostEqual(method.effective_hues(g), math.exp(-sum(x * math.log(x) for x in shares)), 3)
        gap = math.degrees(math.atan2(-30, 5)) % 360 - math.degrees(math.atan2(25, -20))
        self.assertAlmostEqual(method.largest_hue_gap(g), gap, 9)

    def test_equal_hues_count_as_many_as_they_are(self):
        """Jost 2006: the exponential of the entropy of n equal shares is n."""
        for n in (2, 9, 36):
            angles = np.radians(np.arange(n) * 360 / n + 5)
            g = group(*((50, 20 * math.cos(x), 20 * math.sin(x)) for x in angles))
            self.assertAlmostEqual(method.effective_hues(g), n, 9)
            self.assertAlmostEqual(method.largest_hue_gap(g), 360 / n, 9)

    def test_greys_have_no_hue(self):
        for score in (method.effective_hues, method.largest_hue_gap):
            with self.assertRaises(NotComputed):
                score(group((50, 1, 1), (60, 20, 0), (70, 0, -4.9)))

    def test_one_hue(self):
        g = group((50, 20, 0), (60, 30, 0))
        self.assertAlmostEqual(method.effective_hues(g), 1, 12)
        self.assertEqual(method.largest_hue_gap(g), 360)


if __name__ == "__main__":
    unittest.main()
