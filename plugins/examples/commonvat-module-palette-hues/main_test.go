package main

import (
	"testing"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	"github.com/commonvat/commonvat/plugins/sdk/score"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestMain(m *testing.M) { moduletest.Main(m, main) }

func TestHueSpread(t *testing.T) {
	for name, c := range map[string]struct {
		colours []colorimetry.Lab
		want    float64
	}{
		"one hue":         {[]colorimetry.Lab{{L: 50, A: 3, B: 4}, {L: 20, A: 6, B: 8}}, 0},
		"opposite":        {[]colorimetry.Lab{{A: 10}, {A: -10}}, 1},
		"a quarter apart": {[]colorimetry.Lab{{A: 3}, {B: 4}}, 1 - 5.0/7}, // worked by hand: the sum (3, 4) has length 5, chromas sum to 7
	} {
		t.Run(name, func(t *testing.T) {
			g := score.Group{}
			for _, x := range c.colours {
				g.Cells = append(g.Cells, score.Cell{Lab: x})
			}
			got, err := hueSpread(t.Context(), g)
			require.NoError(t, err)
			assert.InDelta(t, c.want, got, 1e-12)
		})
	}
	_, err := hueSpread(t.Context(), score.Group{Cells: []score.Cell{{}, {}}})
	assert.Equal(t, score.NotComputed("all cells are grey"), err)
}

func TestProcess(t *testing.T) {
	require.NoError(t, moduletest.Start(t).Healthy(t.Context()))
}
