package main

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/compare/effect"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// A small run of each line, its limit four standard errors wider; `make verify-statistics` makes the full one.
func TestLimitsInSmall(t *testing.T) {
	runs := 60
	if testing.Short() {
		runs = 8
	}
	for _, l := range lines("") {
		r, err := l.measure(context.Background(), runs, 7)
		require.NoError(t, err)
		if slack := 4 * standardError(l.limit, runs); l.atLeast {
			l.limit -= slack
		} else {
			l.limit += slack
		}
		assert.True(t, r.held(l), "%s, %s: %.3f, limit %.3f", l.question, l.situation, r.share(), l.limit)
	}
}

// The simulations can fail: an effect that is there is found in most runs, so that low shares above come from nothing being there.
func TestEffectsAreFound(t *testing.T) {
	l := laboratory{sessions: 8, recipes: 4, session: 2, pot: 0.7, piece: 0.5, shift: vector{8, 0, 0}}
	found := line{hit: l.says(effect.OrderMatters)}
	r, err := found.measure(context.Background(), 50, 1)
	require.NoError(t, err)
	assert.Greater(t, r.share(), 0.9)
	l.shift = vector{}
	none := line{hit: l.says(effect.NoPracticalDifference)}
	r, err = none.measure(context.Background(), 50, 1)
	require.NoError(t, err)
	assert.Greater(t, r.share(), 0.5)
}

func TestTheToleranceIsMet(t *testing.T) {
	for _, d := range []vector{{1, 0, 0}, {0, 1, 0}, {0, 0.6, -0.8}} {
		s := atTolerance(d)
		x := vector{centre[0] + s[0], centre[1] + s[1], centre[2] + s[2]}
		assert.InDelta(t, 2, colorimetry.CIEDE2000(lab(centre), lab(x), colorimetry.DefaultFactors), 1e-9)
	}
}
