package groups

import (
	"math"
	"math/rand/v2"
	"slices"
	"sort"

	"github.com/commonvat/commonvat/plugins/compare/noise"
	"github.com/commonvat/commonvat/plugins/compare/outlook"
)

// Outlook tells how many sessions that hold all groups it will take to find that they differ in place, from the noise between the units so far.
//
// Method: experiments of n such sessions are drawn from normal noise with the covariance S of the residuals about groups and blocks, the groups in places that
// differ as they do so far; n is enough where 80 % of 500 of them find the difference. Up to outlook.Few arrangements the test is made in full in each. With more, F
// itself is drawn: the rest as c·χ²(h) with c = tr S²/tr S and h = (n−1)(k−1)·(tr S)²/tr S² (Satterthwaite 1946, from memory), χ² by Wilson & Hilferty (1931, from
// memory), held against the F that is enough at alpha in 2,000 draws without a difference. The draws have seeds of their own, so that the same data give the same
// outlook.
type Outlook struct {
	From int // blocks behind the noise; of few it is rough
	// Noise is the standard deviation of a unit within its block in L*, a*, b*.
	Noise [3]float64
	// TargetDE is how far the farthest two groups lie apart that ToFind is for: as they do so far, at least 1.5 times the tolerance.
	TargetDE float64
	ToFind   int // sessions in all. 0: more than 60
}

const (
	outlookGroups    = 20 // no plan has more
	outlookNull      = 2000
	outlookRuns      = 500
	defaultAlpha     = 0.05
	defaultTolerance = 2.0
)

// Plan makes the outlook from units; at is the mean colour that their figures lie about. Zero alpha and tolerance are 0.05 and 2. It is nil with fewer than 3
// blocks or more than 20 groups, where groups stand apart, and without noise to go by.
func Plan(units []Point, at [3]float64, alpha, tolerance float64) *Outlook {
	if alpha == 0 {
		alpha = defaultAlpha
	}
	if tolerance == 0 {
		tolerance = defaultTolerance
	}
	names := map[string]bool{}
	for _, u := range units {
		names[u.Group] = true
	}
	if len(names) > outlookGroups {
		return nil
	}
	f, x, r := design(units)
	if f == nil || len(r.Apart) > 0 || r.Blocks < outlook.From {
		return nil
	}
	df := f.n - len(f.blocks) - len(f.basis)
	if df < 1 {
		return nil
	}
	covariance, places := f.fit(x, df)
	s := simulation{noise: noise.RootOf(covariance)}
	for i := range 3 {
		s.trace += covariance[i][i]
		for j := range 3 {
			s.trace2 += covariance[i][j] * covariance[i][j]
		}
	}
	if !(s.trace > noSpread) {
		return nil
	}
	o := &Outlook{From: r.Blocks}
	for i := range 3 {
		o.Noise[i] = math.Sqrt(covariance[i][i])
	}
	s.places, o.TargetDE = target(places, at, 1.5*tolerance)
	o.ToFind = s.least(alpha)
	return o
}

// fit is the covariance of the residuals and the places of the groups, of mean 0.
func (f *field) fit(x [][]float64, df int) (covariance [3][3]float64, places [][3]float64) {
	fitted := make([][3]float64, f.n)
	for _, e := range f.basis {
		for d := range 3 {
			dot := 0.0
			for i, w := range e {
				dot += w * x[i][d]
			}
			for i, w := range e {
				fitted[i][d] += w * dot
			}
		}
	}
	for i := range x {
		for a := range 3 {
			for b := range 3 {
				covariance[a][b] += (x[i][a] - fitted[i][a]) * (x[i][b] - fitted[i][b]) / float64(df)
			}
		}
	}
	// In a block, fitted figures differ as the groups do; the blocks are a chain through all groups.
	places = make([][3]float64, f.k)
	known := make([]bool, f.k)
	known[0] = true
	for again := true; again; {
		again = false
		for _, b := range f.blocks {
			k := slices.IndexFunc(b, func(i int) bool { return known[f.group[i]] })
			if k < 0 {
				continue
			}
			for _, i := range b {
				if g := f.group[i]; !known[g] {
					for d := range 3 {
						places[g][d] = places[f.group[b[k]]][d] + fitted[i][d] - fitted[b[k]][d]
					}
					known[g], again = true, true
				}
			}
		}
	}
	for d := range 3 {
		mean := 0.0
		for _, p := range places {
			mean += p[d] / float64(f.k)
		}
		for g := range places {
			places[g][d] -= mean
		}
	}
	return covariance, places
}

// target lengthens the distances of places, or those of one in L* where there are none, until the farthest two are least apart.
func target(places [][3]float64, at [3]float64, least float64) ([][3]float64, float64) {
	scaled := func(k float64) (moved [][3]float64, far float64) {
		moved = make([][3]float64, len(places))
		for g, p := range places {
			for d := range 3 {
				moved[g][d] = k * p[d]
			}
			for _, other := range moved[:g] {
				x, y := at, at
				for d := range 3 {
					x[d] += moved[g][d]
					y[d] += other[d]
				}
				far = max(far, de(x, y))
			}
		}
		return moved, far
	}
	moved, far := scaled(1)
	if far >= least {
		return moved, far
	}
	if far < 1e-6 {
		places = make([][3]float64, len(places))
		places[0][0] = 1
	}
	return scaled(outlook.Stretch(least, func(by float64) float64 {
		_, far := scaled(by)
		return far
	}))
}

type simulation struct {
	noise         noise.Root
	trace, trace2 float64
	places        [][3]float64
	rng           *rand.Rand
}

// least is the first size that is enough, 0 for none.
func (s *simulation) least(alpha float64) int {
	// As a rule, where so many sessions are enough more are too.
	i := sort.Search(len(outlook.Sizes), func(i int) bool { return s.enough(outlook.Sizes[i], alpha) })
	if i == len(outlook.Sizes) {
		return 0
	}
	return outlook.Sizes[i]
}

func (s *simulation) enough(n int, alpha float64) bool {
	s.rng = rand.New(rand.NewPCG(1, uint64(n)))
	factorial, _ := math.Lgamma(float64(len(s.places) + 1))
	arrangements := math.Exp(float64(n-1) * factorial) // labels changed in all sessions alike give the same F
	if alpha*arrangements < 1-1e-9 {
		return false // not even the first of them all would do
	}
	if arrangements < outlook.Few+0.5 {
		return s.often(func() bool { return s.found(n, int(alpha*arrangements+1e-9)) })
	}
	null := make([]float64, outlookNull)
	for i := range null {
		null[i] = s.draw(n, 0)
	}
	slices.Sort(null)
	limit := null[min(outlookNull-1, int(math.Ceil((1-alpha)*outlookNull)))]
	return s.often(func() bool { return s.draw(n, 1) > limit })
}

func (s *simulation) often(found func() bool) bool {
	const goal = outlook.Goal * outlookRuns
	hits := 0
	for run := range outlookRuns {
		if hits >= goal || hits+outlookRuns-run < goal {
			break // what is left changes nothing
		}
		if found() {
			hits++
		}
	}
	return hits >= goal
}

// found draws an experiment of n sessions and tells whether its groups lie so far apart that at most so many of its arrangements, its own among them, put them
// as far or farther.
func (s *simulation) found(n, most int) bool {
	k := len(s.places)
	x := make([][][3]float64, n) // by session and place in it, which is the group that it was dyed for
	sums := make([][3]float64, k)
	for i := range x {
		x[i] = make([][3]float64, k)
		for g, p := range s.places {
			accident := s.noise.Draw(s.rng)
			for d := range 3 {
				x[i][g][d] = p[d] + accident[d]
			}
		}
		for d := range 3 { // F asks for what differs within sessions alone
			mean := 0.0
			for g := range k {
				mean += x[i][g][d] / float64(k)
			}
			for g := range k {
				x[i][g][d] -= mean
				sums[g][d] += x[i][g][d]
			}
		}
	}
	// An exchange within sessions changes no total, so F goes as the squares of the groups' sums.
	between := func() (ss float64) {
		for _, v := range sums {
			ss += v[0]*v[0] + v[1]*v[1] + v[2]*v[2]
		}
		return ss
	}
	own, hits := between()*(1-1e-12), 0
	var try func(session, place int) bool // false once too many are as far
	try = func(session, place int) bool {
		switch {
		case session == n:
			if between() >= own {
				hits++
			}
			return hits <= most
		case place == k:
			return try(session+1, 0)
		}
		for other := place; other < k; other++ {
			swap(x[session], sums, place, other)
			on := try(session, place+1)
			swap(x[session], sums, place, other)
			if !on {
				return false
			}
		}
		return true
	}
	return try(1, 0) // the first session stays: exchanged in all alike, F is the same
}

// swap exchanges two places of a session and carries the sums of the groups along.
func swap(x [][3]float64, sums [][3]float64, i, j int) {
	for d := range 3 {
		change := x[j][d] - x[i][d]
		sums[i][d] += change
		sums[j][d] -= change
	}
	x[i], x[j] = x[j], x[i]
}

// draw is F of n sessions, with the places times by.
func (s *simulation) draw(n int, by float64) float64 {
	k := len(s.places)
	means := make([][3]float64, k)
	var middle [3]float64
	for g, p := range s.places {
		accident := s.noise.Draw(s.rng)
		for i := range 3 {
			means[g][i] = by*p[i] + accident[i]/math.Sqrt(float64(n))
			middle[i] += means[g][i] / float64(k)
		}
	}
	between := 0.0
	for _, m := range means {
		for i := range 3 {
			between += float64(n) * (m[i] - middle[i]) * (m[i] - middle[i])
		}
	}
	df := float64((n - 1) * (k - 1))
	h := df * s.trace * s.trace / s.trace2
	chi := 1 - 2/(9*h) + s.rng.NormFloat64()*math.Sqrt(2/(9*h))
	rest := s.trace2 / s.trace * h * max(0, chi*chi*chi)
	return between / float64(k-1) / (rest / df)
}
