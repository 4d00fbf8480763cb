"""Tests of difference-hyab, without a process: python3 -m unittest"""

import unittest

import method
from commonvat_sdk import Colour


class Difference(unittest.TestCase):
    def test_by_hand(self):
        self.assertEqual(method.difference(Colour(50, 3, 4), Colour(40, 0, 0)), 15)
        self.assertEqual(method.difference(Colour(40, 0, 0), Colour(50, 3, 4)), 15)

    def test_it_keeps_the_triangle_inequality(self):
        """As a sum of two norms does."""
        points = [Colour(l, a, b) for l in (20, 50, 90) for a in (-40, 0, 7) for b in (-60, 0, 30)]
        for x in points:
            for y in points:
                for z in points:
                    self.assertLessEqual(method.difference(x, z), method.difference(x, y) + method.difference(y, z) + 1e-9)


if __name__ == "__main__":
    unittest.main()
