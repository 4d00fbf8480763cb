package orders

import (
	"context"
	"fmt"
	"math"
	"strings"

	"github.com/commonvat/commonvat/plugins/palette/width"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
)

// Compare answers the question over all dye pairs of the rows together: orders are then roles, such as vat first and vat last. It
// refuses bad rows and parameters with a *colorimetry.FieldError, for rows inside a *width.RowError, and otherwise fails only when
// ctx ends.
func Compare(ctx context.Context, rows []Row, params Params) (*Result, error) {
	p, err := params.withDefaults()
	if err != nil {
		return nil, err
	}
	cells, err := averaged(rows)
	if err != nil {
		return nil, err
	}
	if p, err = p.named(cells); err != nil {
		return nil, err
	}
	r, err := estimate(ctx, cells, p)
	if err != nil {
		return nil, err
	}
	if r.Test != nil {
		r.Test.PAdjusted = Holm([]float64{r.Test.P}, r.Params.Comparisons)[0]
	}
	r.Verdict, r.Sentence = r.judge()
	return r, nil
}

// estimate gives all but adjusted p and verdict.
func estimate(ctx context.Context, cells []*cellMean, p Params) (*Result, error) {
	blocks, dropped, err := match(cells, p)
	if err != nil {
		return nil, err
	}
	r := &Result{Params: p, First: p.First, Second: p.Second, Dropped: dropped}
	if p.ClosingBlocks > 0 && len(blocks) > p.ClosingBlocks {
		for _, b := range blocks[p.ClosingBlocks:] {
			r.LaterBlocks = append(r.LaterBlocks, b.label)
		}
		blocks = blocks[:p.ClosingBlocks]
	}
	recipes := map[string]map[string]bool{}
	widest := 0
	var colours [2][]colorimetry.Lab
	for _, b := range blocks {
		r.Blocks = append(r.Blocks, b.label)
		r.Cells += len(b.cells)
		for _, c := range b.cells {
			if recipes[c.pair] == nil {
				recipes[c.pair] = map[string]bool{}
			}
			recipes[c.pair][c.label] = true
			widest = max(widest, len(recipes[c.pair]))
			for o := range 2 {
				colours[o] = append(colours[o], c.colour[o])
			}
		}
	}
	for _, of := range recipes {
		r.Recipes += len(of)
	}
	if n := max(p.ClosingBlocks, NeededBlocks(p.Alpha, p.Comparisons)) - len(blocks); n > 0 {
		r.Missing = append(r.Missing, Need{Sessions, n})
	}
	if n := MinRecipes - widest; n > 0 {
		r.Missing = append(r.Missing, Need{Recipes, n})
	}
	if r.Cells == 0 {
		return r, nil
	}
	if r.Shades, err = countShades(ctx, blocks, colours, p); err != nil {
		return nil, err
	}
	a := align(blocks)
	if r.Volume, err = a.volume(); err != nil {
		return nil, err
	}
	r.Dispersion = a.dispersion()
	r.Outlook = foresee(r.Dispersion, len(blocks), p)
	if p.ClosingBlocks > 0 && len(r.Missing) == 0 {
		r.Test, err = a.test(ctx, p)
	}
	return r, err
}

func countShades(ctx context.Context, blocks []block, all [2][]colorimetry.Lab, p Params) (*Shades, error) {
	s := &Shades{}
	n := float64(len(blocks))
	for o, mean := range [2]*MeanCount{&s.First, &s.Second} {
		for _, b := range blocks {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			own := make([]colorimetry.Lab, len(b.cells))
			for i, c := range b.cells {
				own[i] = c.colour[o]
			}
			c, err := width.DistinctShades(ctx, own, p.ThresholdDE, p.SearchNodes)
			if err != nil {
				return nil, err
			}
			mean.Lower += float64(c.Lower)
			mean.Upper += float64(c.Upper)
		}
		mean.Lower, mean.Upper = mean.Lower/n, mean.Upper/n
	}
	var err error
	if s.FirstTogether, err = width.DistinctShades(ctx, all[0], p.ThresholdDE, p.SearchNodes); err != nil {
		return nil, err
	}
	s.SecondTogether, err = width.DistinctShades(ctx, all[1], p.ThresholdDE, p.SearchNodes)
	return s, err
}

func (r *Result) judge() (Verdict, string) {
	if r.Params.ClosingBlocks == 0 {
		return Exploratory, r.soFar()
	}
	if r.Test == nil {
		var needs []string
		for _, n := range r.Missing {
			needs = append(needs, n.Of(r.Both()))
		}
		return NotEnoughYet, "not enough yet: " + strings.Join(needs, " and ")
	}
	d := r.Dispersion
	reached := r.Test.PAdjusted <= r.Params.Alpha
	found := reached && (r.Test.Within || r.beyondItsError())
	margin := math.Log(r.Params.MarginRatio)
	far := d.LogRatio != nil && math.Abs(*d.LogRatio) >= margin || d.LogRatio == nil && d.Difference != 0
	if found && r.Shades.direction()*sign(d.Difference) < 0 {
		return NoAnswer, fmt.Sprintf("no answer at this size: the spread points to %s, the number of distinct shades to %s",
			r.label(sign(d.Difference)), r.label(r.Shades.direction()))
	}
	if found && sign(r.Test.Difference)*sign(d.Difference) < 0 {
		return NoAnswer, fmt.Sprintf("no answer at this size: within sessions %s spreads wider, over all of them %s", r.label(sign(r.Test.Difference)), r.label(sign(d.Difference)))
	}
	switch {
	case found && far && d.Difference > 0:
		return FirstWider, r.wider(1)
	case found && far:
		return SecondWider, r.wider(-1)
	case d.RatioLow != nil && math.Log(*d.RatioHigh) < margin && -math.Log(*d.RatioLow) < margin:
		return EquallyWide, fmt.Sprintf("equally wide: %s and %s differ by less than %.0f %%", r.First, r.Second, 100*(r.Params.MarginRatio-1))
	case found:
		return DetectableButSmall, fmt.Sprintf("detectable but small: %s is wider, by less than %.0f %%", r.label(sign(d.Difference)), 100*(r.Params.MarginRatio-1))
	case reached:
		return NoAnswer, fmt.Sprintf("no answer at this size: %s looks wider, but by no more than leaving out one session or another changes", r.label(sign(d.Difference)))
	}
	return NoAnswer, fmt.Sprintf("no answer at this size: %d sessions do not tell %s from %s", len(r.Blocks), r.First, r.Second)
}

// beyondItsError tells whether the ratio is farther from 1 than the jackknife's error lets it be at the level of the test. Where one order
// doesn't spread at all there is no ratio, and no error of it.
func (r *Result) beyondItsError() bool {
	d := r.Dispersion
	if d.LogRatio == nil {
		return true
	}
	tail := 1 - r.Params.Alpha/2/float64(r.Params.Comparisons)
	return d.SELogRatio != nil && math.Abs(*d.LogRatio) > width.StudentQuantile(tail, d.freedom)**d.SELogRatio
}

func (r *Result) label(sign int) string {
	if sign > 0 {
		return r.First
	}
	return r.Second
}

// wider names the wider order and, where both spread, by how much.
func (r *Result) wider(sign int) string {
	if r.Dispersion.LogRatio == nil {
		return r.label(sign) + " is wider: the other does not spread at all"
	}
	return fmt.Sprintf("%s is wider, by %.0f %%", r.label(sign), 100*math.Expm1(math.Abs(*r.Dispersion.LogRatio)))
}

// Both names what was held against each other: orders, or any two groups that were asked about as such.
func (r *Result) Both() string { return fmt.Sprintf("both %s and %s", r.First, r.Second) }

func (r *Result) soFar() string {
	d := r.Dispersion
	text := "exploratory, no verdict: "
	switch {
	case r.Cells == 0:
		text += "no session holds a matched cell of " + r.Both()
	case d == nil || d.LogRatio == nil:
		text += "too little spread to compare so far"
	default:
		text += fmt.Sprintf("so far %s spreads %.0f %% wider than %s", r.label(sign(*d.LogRatio)), 100*math.Expm1(math.Abs(*d.LogRatio)), r.label(-sign(*d.LogRatio)))
		if *d.LogRatio == 0 {
			text = "exploratory, no verdict: so far both spread alike"
		}
	}
	return text
}

func sign(x float64) int {
	switch {
	case x > 0:
		return 1
	case x < 0:
		return -1
	}
	return 0
}
