package pool

import (
	"context"
	"errors"
	"fmt"
	"strings"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// waterMeasures are the figures of a water that colours are held against. Ranks alone count there, so that iron needs no logarithm.
var waterMeasures = []struct {
	figure trial.WaterFigure
	name   string
	of     func(*trial.WaterSample) *float64
}{
	{trial.Hardness, "hardness", func(s *trial.WaterSample) *float64 { return s.HardnessMgPerL }},
	{trial.Alkalinity, "alkalinity", func(s *trial.WaterSample) *float64 { return s.AlkalinityMgPerL }},
	{trial.PH, "pH", func(s *trial.WaterSample) *float64 { return s.PH }},
	{trial.Iron, "iron", func(s *trial.WaterSample) *float64 { return s.IronMgPerL }},
}

// figureName is "" for none.
func figureName(figure trial.WaterFigure) string {
	for _, f := range waterMeasures {
		if f.figure == figure {
			return f.name
		}
	}
	return ""
}

// soleSource is the source of a water that is of one source alone, "" of a mix or of several waters after each other.
func soleSource(water string) trial.ID {
	if id, ok := strings.CutSuffix(water, ":100"); ok && !strings.ContainsAny(id, "+>") {
		return id
	}
	return ""
}

// waterFigures are the figures of the waters of picks by their place among groups: of a source, the mean of its samples that measured it. Mixes have none,
// since pH and iron of a mix are no means.
func (p *Pool) waterFigures(ctx context.Context, t *texts, picks []*pick, groups []string) ([]*comparev1.WaterCovariate, error) {
	at := map[label]uint32{}
	for g, name := range groups {
		at[t.label(name)] = uint32(g)
	}
	seen := map[uint32]bool{}
	sources := make([]*trial.WaterSource, len(groups))
	for _, of := range picks {
		g, id := at[of.group], soleSource(of.row.route.water())
		if seen[g] || id == "" {
			continue
		}
		seen[g] = true
		source, err := p.reader.WaterSource(ctx, id)
		if errors.Is(err, trial.ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("read water source %s: %w", id, err)
		}
		sources[g] = source
	}
	var out []*comparev1.WaterCovariate
	for _, f := range waterMeasures {
		c := &comparev1.WaterCovariate{Name: f.name}
		for g, source := range sources {
			if source == nil {
				continue
			}
			sum, n := 0.0, 0.0
			for i := range source.Samples {
				if x := f.of(&source.Samples[i]); x != nil && !source.Samples[i].Superseded {
					sum, n = sum+*x, n+1
				}
			}
			if n > 0 {
				c.Water, c.Value = append(c.Water, uint32(g)), append(c.Value, sum/n)
			}
		}
		if len(c.GetWater()) > 0 {
			out = append(out, c)
		}
	}
	return out, nil
}
