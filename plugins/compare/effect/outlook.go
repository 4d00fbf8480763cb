package effect

import (
	"context"
	"math"
	"math/rand/v2"

	"github.com/commonvat/commonvat/plugins/compare/noise"
	"github.com/commonvat/commonvat/plugins/compare/outlook"
	"github.com/commonvat/commonvat/plugins/palette/width"
)

// Outlook tells how many sessions it will take, from the noise between the sessions so far.
//
// Method: for each number of sessions from a ladder, 400 experiments are drawn from a normal distribution with the covariance of the d_j
// observed, and the verdict is made as Measure makes it, with 199 turns of signs. The first number with the verdict in 80 % of them
// is told, if 60 reach it. The draws have seeds of their own, so that the same data give the same outlook.
type Outlook struct {
	From int // sessions behind the noise; of few it is rough
	// Noise is the standard deviation between sessions of the difference in L*, a*, b*.
	Noise [3]float64
	// TargetDE is the difference that ToFind is for: as it looks so far, at least 1.5 times the tolerance.
	TargetDE float64
	// ToFind is the number of sessions in all to find a difference of TargetDE, ToRuleOut that to show that there is no practical
	// difference if there is none. 0: more than 60.
	ToFind, ToRuleOut int
}

const (
	outlookRuns = 400
	outlookTurn = 199
)

func foresee(sessions []*session, overall *Contrast, p Params) *Outlook {
	var d [][3]float64
	var place [3]float64
	for _, s := range sessions {
		if x, y, ok := s.means(FirstOrder, SecondOrder); ok {
			d = append(d, [3]float64{x[0] - y[0], x[1] - y[1], x[2] - y[2]})
			for i := range 3 {
				place[i] += y[i]
			}
		}
	}
	if len(d) < outlook.From {
		return nil
	}
	for i := range place {
		place[i] /= float64(len(d))
	}
	_, covariance := meanAndCovariance(d)
	o := &Outlook{From: len(d)}
	for i := range 3 {
		o.Noise[i] = math.Sqrt(covariance[i][i])
	}
	target := overall.Difference
	if overall.DE < 1.5*p.ToleranceDE {
		target = scaled(place, target, 1.5*p.ToleranceDE)
	}
	o.TargetDE = de([3]float64{place[0] + target[0], place[1] + target[1], place[2] + target[2]}, place)
	s := simulation{place: place, noise: noise.RootOf(covariance), params: p}
	o.ToFind = s.least(target, func(d [][3]float64, x Contrast) bool { return x.DE >= p.ToleranceDE && s.found(d) })
	o.ToRuleOut = s.least([3]float64{}, func(_ [][3]float64, x Contrast) bool { return *x.UpperDE < p.ToleranceDE })
	return o
}

// scaled lengthens a shift, or one in L* where there is none, until it is de00 from place.
func scaled(place, shift [3]float64, de00 float64) [3]float64 {
	if shift == [3]float64{} {
		shift[0] = 1
	}
	at := func(by float64) (s, moved [3]float64) {
		for i := range 3 {
			s[i] = by * shift[i]
			moved[i] = place[i] + s[i]
		}
		return s, moved
	}
	s, _ := at(outlook.Stretch(de00, func(by float64) float64 {
		_, moved := at(by)
		return de(moved, place)
	}))
	return s
}

type simulation struct {
	place  [3]float64
	noise  noise.Root
	params Params
	rng    *rand.Rand
}

// least is the first size at which the verdict is reached often enough, 0 for none.
func (s *simulation) least(shift [3]float64, reached func(d [][3]float64, x Contrast) bool) int {
	needed := 0
	for a := s.params.Alpha / float64(s.params.Comparisons); math.Ldexp(1, 1-needed) > a; {
		needed++
	}
	last := outlook.Most
	if needed > last || !s.often(last, shift, reached) {
		return 0 // as a rule, what so many sessions don't reach fewer don't either
	}
	for _, n := range outlook.Sizes {
		if n >= needed && (n == last || s.often(n, shift, reached)) {
			return n
		}
	}
	return 0
}

// often tells whether the verdict is reached often enough with n sessions.
func (s *simulation) often(n int, shift [3]float64, reached func(d [][3]float64, x Contrast) bool) bool {
	s.rng = rand.New(rand.NewPCG(1, uint64(n)))
	hits := 0
	d := make([][3]float64, n)
	for run := range outlookRuns {
		if float64(hits+outlookRuns-run) < outlook.Goal*outlookRuns {
			return false
		}
		for j := range d {
			accident := s.noise.Draw(s.rng)
			for i := range 3 {
				d[j][i] = shift[i] + accident[i]
			}
		}
		if reached(d, s.look(d)) {
			hits++
		}
	}
	return float64(hits) >= outlook.Goal*outlookRuns
}

func (s *simulation) look(d [][3]float64) (c Contrast) {
	moved := func(m [3]float64) float64 {
		return de([3]float64{s.place[0] + m[0], s.place[1] + m[1], s.place[2] + m[2]}, s.place)
	}
	c.DE = moved(mean(d, -1))
	leave := make([]float64, len(d))
	for j := range d {
		leave[j] = moved(mean(d, j))
	}
	upper := c.DE + width.StudentQuantile(0.95, len(d)-1)*width.JackknifeSE(leave)
	c.UpperDE = &upper
	return c
}

func (s *simulation) found(d [][3]float64) bool {
	t := turner{ctx: context.Background(), params: Params{Permutations: outlookTurn, Seed: s.rng.Uint64()}}
	blocks := len(d)
	statistics := func(sign []float64) []float64 {
		var sum [3]float64
		for j, v := range d {
			for i := range 3 {
				sum[i] += sign[j] * v[i]
			}
		}
		return []float64{sum[0]*sum[0] + sum[1]*sum[1] + sum[2]*sum[2]}
	}
	p, _, _, err := t.turnUpTo(8, blocks, statistics)
	return err == nil && p[0] <= s.params.Alpha/float64(s.params.Comparisons)
}
