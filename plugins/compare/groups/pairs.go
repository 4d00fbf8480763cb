package groups

import (
	"cmp"
	"context"
	"math/bits"
	"slices"
)

// closedUpTo is the most groups all of whose subsets are tested: 57 of six.
const closedUpTo = 6

// Two is the test of two groups among more.
type Two struct {
	First, Second string
	Test          *Test // nil where no block holds both
	// Adjusted is p held over all pairs: the chance to call any two alike groups different, whatever the others do, is alpha at most.
	Adjusted float64
}

// EveryTwo tests every two of three groups or more, by label, with test, which is given a subset of the groups and tests that they are alike; nil where it
// can't.
//
// Up to six groups p is adjusted by closed testing with the levels of Ryan, Einot, Gabriel and Welsch (Ryan 1960, Psychological Bulletin 57:318; Einot & Gabriel
// 1975, Journal of the American Statistical Association 70:574; Welsch 1977, the same 72:566; from memory): two of k groups differ when every subset of s groups
// that holds both is found different at alpha·s/k, or at alpha where s is k−1 or k. Groups that are alike fall into sets whose sizes add up to k at most, and
// two of a set are told apart only if the whole set is, so that the chances add up to alpha at most. With three groups a pair needs nothing but to be found by itself and with all of
// them, where Holm wants a third of alpha, which six sessions can't reach. Of more groups there are too many subsets: there p is adjusted by Holm (1979,
// Scandinavian Journal of Statistics 6:65, from memory) over all pairs.
func EveryTwo(names []string, test func(of []string) (*Test, error)) ([]Two, error) {
	out, err := testTwos(names, test)
	if err != nil {
		return nil, err
	}
	if len(names) > closedUpTo {
		holm(out)
		return out, nil
	}
	for set := uint(1); set < 1<<len(names); set++ {
		var of []string
		for i, name := range names {
			if set&(1<<i) != 0 {
				of = append(of, name)
			}
		}
		var t *Test
		switch n := bits.OnesCount(set); {
		case n < 2:
			continue
		case n == 2:
			t = out[slices.IndexFunc(out, func(p Two) bool { return p.First == of[0] && p.Second == of[1] })].Test
		default:
			if t, err = test(of); err != nil {
				return nil, err
			}
		}
		p := 1.0 // what can't be tested can't be found
		if t != nil {
			if p = t.P; len(of) < len(names)-1 {
				p = min(1, p*float64(len(names))/float64(len(of)))
			}
		}
		for i := range out {
			if slices.Contains(of, out[i].First) && slices.Contains(of, out[i].Second) {
				out[i].Adjusted = max(out[i].Adjusted, p)
			}
		}
	}
	return out, nil
}

// testTwos tests every two and adjusts nothing. It is enough for estimates, which have no p.
func testTwos(names []string, test func(of []string) (*Test, error)) (out []Two, err error) {
	for i, first := range names {
		for _, second := range names[i+1:] {
			t, err := test([]string{first, second})
			if err != nil {
				return nil, err
			}
			out = append(out, Two{First: first, Second: second, Test: t})
		}
	}
	return out, nil
}

// holm adjusts over all pairs, those that could not be tested included.
func holm(pairs []Two) {
	var order []*Two
	for i := range pairs {
		if pairs[i].Test == nil {
			pairs[i].Adjusted = 1
			continue
		}
		order = append(order, &pairs[i])
	}
	slices.SortStableFunc(order, func(a, b *Two) int { return cmp.Compare(a.Test.P, b.Test.P) })
	least := 0.0
	for k, p := range order {
		least = max(least, min(1, float64(len(pairs)-k)*p.Test.P))
		p.Adjusted = least
	}
}

// pairs puts the tests of place and spread of the same names beside each other. With EstimatesOnly nothing is adjusted.
func pairs(names []string, permutations int, place, spread func(of []string) (*Test, error)) ([]Pair, error) {
	twos := EveryTwo
	if permutations == EstimatesOnly {
		twos = testTwos
	}
	places, err := twos(names, place)
	if err != nil {
		return nil, err
	}
	spreads, err := twos(names, spread)
	if err != nil {
		return nil, err
	}
	out := make([]Pair, len(places))
	for i, p := range places {
		s := spreads[i]
		out[i] = Pair{First: p.First, Second: p.Second, Place: p.Test, Spread: s.Test, PlaceAdjusted: p.Adjusted, SpreadAdjusted: s.Adjusted}
	}
	return out, nil
}

// PlaceOfJoined is a test for EveryTwo: as Place for good parameters, but where blocks don't join all groups it asks whether those differ that they join, which
// none do where all are alike.
func PlaceOfJoined(ctx context.Context, points []Point, permutations int, seed uint64) (*Test, error) {
	f, x, _ := design(points)
	if f == nil {
		return nil, nil
	}
	return f.test(ctx, x, x, permutations, seed)
}

// only are the points of some groups.
func only(points []Point, of []string) []Point {
	return slices.DeleteFunc(slices.Clone(points), func(p Point) bool { return !slices.Contains(of, p.Group) })
}
