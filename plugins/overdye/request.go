package overdye

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/overdye/retention"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/colorimetry"
	overdyev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/overdye/v1"
)

// Limits of overdye.proto.
const (
	maxTrials      = 200
	maxTrialPieces = 50
	maxPieces      = 2000
	minWavelengths = 8
	maxWavelengths = 200
	maxFromColour  = 43
	maxName        = 80
	defaultShare   = 0.9
)

// question is a request that was checked.
type question struct {
	method                    *retention.Method
	of                        *overdyev1.OverdyeClass
	trials, related, reversed []retention.Trial
	piece                     retention.Piece
	share                     float64
	fromColour                bool
}

func (s *Server) checked(ctx context.Context, req *overdyev1.PredictOverdyeRequest) (*question, error) {
	var v sdk.Violations
	condition := wire.Condition(&v, "condition", req.GetCondition())
	q := &question{of: req.GetOverdyeClass(), share: wire.OrDefault(&v, "radius_share", req.GetRadiusShare(), defaultShare, 0.5, 0.99)}
	values := sdk.CheckValues(&v, "parameters", s.parameters, req.GetParameters())
	checkGrid(&v, req)
	checkClass(&v, q.of)
	c := checker{v: &v, count: int(req.GetWavelengthCount())}
	c.trials("trials", req.GetTrials())
	c.trials("related_trials", req.GetRelatedTrials())
	c.trials("reversed_trials", req.GetReversedTrials())
	if len(req.GetReversedTrials()) > 0 && !req.GetAskOrder() {
		v.Add("reversed_trials", "has %d entries, want none unless ask_order", len(req.GetReversedTrials()))
	}
	if c.pieces > maxPieces {
		v.Add("trials", "have %d pieces with those of related_trials and reversed_trials, want at most %d", c.pieces, maxPieces)
	}
	c.colours("piece", req.GetPiece())
	if c.labs > 0 && c.count > maxFromColour {
		v.Add("wavelength_count", "is %d, want at most %d where a curve is given as a colour", c.count, maxFromColour)
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	weights, err := colorimetry.NewWeights(condition, req.GetStartNm(), req.GetStepNm(), c.count)
	if err != nil {
		return nil, wire.Failed("start_nm", err)
	}
	surface := retention.Surface{K1: values.Number("surface_k1"), K2: values.Number("surface_k2")}
	if q.method, err = retention.New(weights, surface, q.share); err != nil {
		return nil, wire.Failed("parameters", err)
	}
	t := taker{ctx: ctx, v: &v, weights: weights}
	q.trials, q.related, q.reversed = t.trials("trials", req.GetTrials()), t.trials("related_trials", req.GetRelatedTrials()), t.trials("reversed_trials", req.GetReversedTrials())
	q.piece = t.colours("piece", req.GetPiece())
	q.fromColour = c.labs > 0
	if err := ctx.Err(); err != nil {
		return nil, status.FromContextError(err).Err()
	}
	return q, v.Err()
}

func checkGrid(v *sdk.Violations, req *overdyev1.PredictOverdyeRequest) {
	start, step, count := req.GetStartNm(), req.GetStepNm(), req.GetWavelengthCount()
	before := v.Len()
	if !(start >= 300 && start <= 400) {
		v.Add("start_nm", "is %s, want 300 to 400", wire.Number(start))
	}
	if !slices.Contains([]float64{5, 10, 20}, step) {
		v.Add("step_nm", "is %s, want 5, 10 or 20", wire.Number(step))
	}
	if count < minWavelengths || count > maxWavelengths {
		v.Add("wavelength_count", "is %d, want %d to %d", count, minWavelengths, maxWavelengths)
	}
	if v.Len() == before && start+step*float64(count-1) < 700 {
		v.Add("wavelength_count", "is %d, with which the curves end at %s nm; want 700 nm or more", count, wire.Number(start+step*float64(count-1)))
	}
}

func checkClass(v *sdk.Violations, c *overdyev1.OverdyeClass) {
	if c == nil {
		v.Add("overdye_class", "is missing, want the two dyes")
		return
	}
	for _, word := range []struct {
		field, text string
		required    bool
	}{{"first_dye", c.GetFirstDye(), true}, {"second_dye", c.GetSecondDye(), true}, {"fibre", c.GetFibre(), false}, {"mordant", c.GetMordant(), false}, {"bath", c.GetBath(), false}} {
		least := 0
		if word.required {
			least = 1
		}
		checkWord(v, "overdye_class."+word.field, word.text, least)
	}
}

func checkWord(v *sdk.Violations, field, text string, least int) {
	if n := utf8.RuneCountInString(text); n > maxName || n < least || least > 0 && strings.TrimSpace(text) == "" {
		v.Add(field, "is %.20q with %d characters, want %d to %d", text, n, least, maxName)
	}
}

// checker notes what is wrong with curves, cheaply.
type checker struct {
	v            *sdk.Violations
	count        int
	pieces, labs int
}

func (c *checker) trials(field string, list []*overdyev1.OverdyeTrial) {
	if len(list) > maxTrials {
		c.v.Add(field, "has %d entries, want at most %d", len(list), maxTrials)
		return
	}
	seen := map[string]bool{}
	for i, t := range list {
		at := fmt.Sprintf("%s[%d]", field, i)
		checkWord(c.v, at+".trial_id", t.GetTrialId(), 1)
		if seen[t.GetTrialId()] {
			c.v.Add(at+".trial_id", "is %.80q, which is there before", t.GetTrialId())
		}
		seen[t.GetTrialId()] = true
		n := len(t.GetPieces())
		c.pieces += n
		if n < 1 || n > maxTrialPieces {
			c.v.Add(at+".pieces", "has %d entries, want 1 to %d", n, maxTrialPieces)
			continue
		}
		for j, p := range t.GetPieces() {
			here := fmt.Sprintf("%s.pieces[%d]", at, j)
			c.colours(here+".colours", p.GetColours())
			c.curve(here+".both", p.GetBoth())
		}
	}
}

func (c *checker) colours(field string, o *overdyev1.OverdyeColours) {
	if o == nil {
		c.v.Add(field, "is missing, want substrate, first and second")
		return
	}
	c.curve(field+".substrate", o.GetSubstrate())
	c.curve(field+".first", o.GetFirst())
	c.curve(field+".second", o.GetSecond())
}

func (c *checker) curve(field string, o *overdyev1.OverdyeCurve) {
	n := len(o.GetReflectance())
	switch {
	case o.GetLab() != nil && n > 0:
		c.v.Add(field+".lab", "is there beside reflectance, want one of both")
	case o.GetLab() != nil:
		c.labs++
		wire.Lab(c.v, field+".lab", o.GetLab())
	case n == 0:
		c.v.Add(field, "is missing, want reflectance or lab")
	case n != c.count:
		c.v.Add(field+".reflectance", "has %d figures, want wavelength_count, which is %d", n, c.count)
	default:
		for i, r := range o.GetReflectance() {
			if !(r >= 0 && r <= colorimetry.MaxReflectance) {
				c.v.Add(fmt.Sprintf("%s.reflectance[%d]", field, i), "is %s, want 0 to 2", wire.Number(r))
			}
		}
	}
}

// taker makes curves of a request that was checked. Of colours that no curve has it takes note.
type taker struct {
	ctx     context.Context //nolint:containedctx // lives for one call
	v       *sdk.Violations
	weights *colorimetry.Weights
}

func (t *taker) trials(field string, list []*overdyev1.OverdyeTrial) []retention.Trial {
	out := make([]retention.Trial, len(list))
	for i, from := range list {
		out[i].ID = from.GetTrialId()
		for j, p := range from.GetPieces() {
			at := fmt.Sprintf("%s[%d].pieces[%d]", field, i, j)
			piece := t.colours(at+".colours", p.GetColours())
			piece.Both = t.curve(at+".both", p.GetBoth())
			out[i].Pieces = append(out[i].Pieces, piece)
		}
	}
	return out
}

func (t *taker) colours(field string, o *overdyev1.OverdyeColours) retention.Piece {
	return retention.Piece{
		Substrate: t.curve(field+".substrate", o.GetSubstrate()),
		First:     t.curve(field+".first", o.GetFirst()),
		Second:    t.curve(field+".second", o.GetSecond()),
	}
}

func (t *taker) curve(field string, o *overdyev1.OverdyeCurve) []float64 {
	lab := o.GetLab()
	if lab == nil {
		return o.GetReflectance()
	}
	if t.ctx.Err() != nil {
		return nil
	}
	made, err := colorimetry.CurveFromColour(colorimetry.Lab{L: lab.GetL(), A: lab.GetA(), B: lab.GetB()}, t.weights)
	if err != nil {
		t.v.Add(field+".lab", "is (%s, %s, %s): %v", wire.Number(lab.GetL()), wire.Number(lab.GetA()), wire.Number(lab.GetB()), err)
	}
	return made.Reflectance
}
