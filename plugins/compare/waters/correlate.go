package waters

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/commonvat/commonvat/plugins/compare/orders"
)

// correlate holds covariates against the mean differences.
func (r *Result) correlate(p Params, means map[string]float64) {
	if len(p.Covariates) == 0 {
		return
	}
	covariates := p.Covariates
	if len(covariates) > 1 && p.Closing {
		i := slices.IndexFunc(covariates, func(c Covariate) bool { return c.Name == p.Named })
		if i < 0 {
			r.AboutWaters = "not enough yet: of several figures of the waters, one has to be named beforehand"
			return
		}
	}
	for _, c := range covariates {
		x, y, names := paired(c, means)
		if len(x) < MinWaters {
			r.AboutWaters = fmt.Sprintf("not enough yet: %s needs %d waters beside the reference, there are %d", c.Name, MinWaters, len(x))
			continue
		}
		k := Correlation{Name: c.Name, Waters: len(x), Rho: spearman(x, y)}
		if r.Test != nil && c.Name == p.Named { // the only one with figures isn't one that was named
			v := permuted(x, y, p)
			k.P = &v
		}
		for _, other := range covariates {
			if other.Name == c.Name {
				continue
			}
			var u, v []float64
			for i, w := range names {
				if z, ok := other.Values[w]; ok {
					u, v = append(u, x[i]), append(v, z)
				}
			}
			if len(u) > 2 && math.Abs(spearman(u, v)) > Inseparable {
				k.InseparableOf = append(k.InseparableOf, other.Name)
			}
		}
		r.Covariates = append(r.Covariates, k)
	}
	var ps []float64
	for _, k := range r.Covariates {
		if k.P != nil {
			ps = append(ps, *k.P)
		}
	}
	adjusted, i := orders.Holm(ps, len(ps)), 0
	for k := range r.Covariates {
		if r.Covariates[k].P != nil {
			r.Covariates[k].PAdjusted = &adjusted[i]
			i++
		}
	}
}

func paired(c Covariate, means map[string]float64) (x, y []float64, names []string) {
	for _, w := range slices.Sorted(maps.Keys(means)) {
		if v, ok := c.Values[w]; ok {
			x, y, names = append(x, v), append(y, means[w]), append(names, w)
		}
	}
	return x, y, names
}

// ranks gives tied values their mean rank.
func ranks(x []float64) []float64 {
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(x[a], x[b]) })
	out := make([]float64, len(x))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && x[order[j]] == x[order[i]] {
			j++
		}
		for k := i; k < j; k++ {
			out[order[k]] = float64(i+j+1) / 2
		}
		i = j
	}
	return out
}

// spearman is 0 where one side does not vary.
func spearman(x, y []float64) float64 { return pearson(ranks(x), ranks(y)) }

func pearson(x, y []float64) float64 {
	n := float64(len(x))
	mx, my := 0.0, 0.0
	for i := range x {
		mx += x[i] / n
		my += y[i] / n
	}
	xy, xx, yy := 0.0, 0.0, 0.0
	for i := range x {
		xy += (x[i] - mx) * (y[i] - my)
		xx += (x[i] - mx) * (x[i] - mx)
		yy += (y[i] - my) * (y[i] - my)
	}
	if !(xx > 0) || !(yy > 0) {
		return 0
	}
	return xy / math.Sqrt(xx*yy)
}

// permuted is the two-sided p of Spearman's ρ.
func permuted(x, y []float64, p Params) float64 {
	x, y = ranks(x), ranks(y)
	observed := math.Abs(pearson(x, y))
	hits, all := 0, 0
	look := func() {
		all++
		if math.Abs(pearson(x, y)) >= observed-1e-9 {
			hits++
		}
	}
	if len(y) <= exactUpTo {
		var visit func(i int)
		visit = func(i int) {
			if i == len(y) {
				look()
				return
			}
			for j := i; j < len(y); j++ {
				y[i], y[j] = y[j], y[i]
				visit(i + 1)
				y[i], y[j] = y[j], y[i]
			}
		}
		visit(0)
		return float64(hits) / float64(all)
	}
	rng := rand.New(rand.NewPCG(p.Seed, uint64(len(y))))
	for range p.Permutations {
		rng.Shuffle(len(y), func(i, j int) { y[i], y[j] = y[j], y[i] })
		look()
	}
	return float64(hits+1) / float64(all+1)
}
