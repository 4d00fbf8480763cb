package retention

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

const bands = 31 // 400 to 700 nm by 10

func method(t testing.TB, surface Surface) *Method {
	w, err := colorimetry.NewWeights(colorimetry.D65Observer10, 400, 10, bands)
	require.NoError(t, err)
	m, err := New(w, surface, 0.9)
	require.NoError(t, err)
	return m
}

// dye is the K/S of an invented dye: one band of absorption.
func dye(peakNm, widthNm, height float64) []float64 {
	out := make([]float64, bands)
	for i := range out {
		x := (400 + 10*float64(i) - peakNm) / widthNm
		out[i] = height * math.Exp(-x*x/2)
	}
	return out
}

// cloth is the reflectance of K/S added up; terms are pairs of a factor and a dye.
func cloth(s Surface, terms ...any) []float64 {
	out := make([]float64, bands)
	for i := range out {
		k := 0.05 + 0.1*math.Exp(-float64(i)/5) // yellowish wool
		for j := 0; j < len(terms); j += 2 {
			k += terms[j].(float64) * terms[j+1].([]float64)[i]
		}
		out[i] = s.Outside(colorimetry.ReflectanceFromKS(k))
	}
	return out
}

func yellow() []float64 { return dye(420, 35, 6) }
func blue() []float64   { return dye(620, 60, 5) }

// trial is one with r and s as told, in depths of its own, and readings off by noise (a standard deviation of reflectance relative to itself).
func trial(i int, s Surface, c Coefficients, noise float64, random *rand.Rand) Trial {
	first, second := 0.4+0.2*float64(i%5), 1.3-0.15*float64(i%4)
	p := Piece{
		Substrate: cloth(s), First: cloth(s, first, yellow()), Second: cloth(s, second, blue()),
		Both: cloth(s, c.Retention*first, yellow(), c.Uptake*second, blue()),
	}
	if noise > 0 {
		shift := 1 + noise*random.NormFloat64()
		for j := range p.Both {
			p.Both[j] = min(p.Both[j]*shift*(1+noise/5*random.NormFloat64()), 1)
		}
	}
	return Trial{ID: fmt.Sprintf("trial %02d", i), Pieces: []Piece{p}}
}

func trials(n int, s Surface, c Coefficients, noise float64) []Trial {
	random := rand.New(rand.NewPCG(1, uint64(n)))
	out := make([]Trial, n)
	for i := range out {
		out[i] = trial(i, s, c, noise, random)
	}
	return out
}
