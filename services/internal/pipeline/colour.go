package pipeline

import (
	"context"
	"math"

	differencev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/difference/v1"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ReadingBatch is how many raw measurements go to a reading module in one call; the contract allows 2,000.
const ReadingBatch = 500

// Colour is what a reading module made of one measurement: a colour, or a fault.
type Colour struct {
	Lab   trial.Lab
	Fault string // "" when there is a colour
}

// ColourReader is a hold on one reading module, so that all colours of a question come from the same one.
type ColourReader struct {
	hold *hold
}

// OpenReading holds the reading module. The caller closes it. Errors: *ModuleError.
func (p *Pipeline) OpenReading() (*ColourReader, error) {
	h, err := p.acquire(KindReading)
	if err != nil {
		return nil, err
	}
	return &ColourReader{hold: h}, nil
}

// Identity is the provenance of the colours.
func (r *ColourReader) Identity() *typesv1.ModuleIdentity { return r.hold.identity() }

// Close gives the module back.
func (r *ColourReader) Close() { r.hold.handle.Release() }

// Compute gives one answer a measurement, in order, computed in batches. Errors: *ModuleError; ctx.Err().
func (r *ColourReader) Compute(ctx context.Context, condition trial.ColourCondition, raw []trial.RawColour) ([]Colour, error) {
	out := make([]Colour, 0, len(raw))
	for len(raw) > 0 {
		n := min(len(raw), ReadingBatch)
		colours, err := r.batch(ctx, condition, raw[:n])
		if err != nil {
			return nil, err
		}
		out = append(out, colours...)
		raw = raw[n:]
	}
	return out, nil
}

func (r *ColourReader) batch(ctx context.Context, condition trial.ColourCondition, raw []trial.RawColour) ([]Colour, error) {
	request := &readingv1.ComputeColoursRequest{Condition: conditionMessage(condition), Raw: make([]*typesv1.RawColour, len(raw))}
	for i := range raw {
		request.Raw[i] = rawMessage(raw[i])
	}
	response, err := readingv1.NewReadingServiceClient(r.hold.handle).ComputeColours(ctx, request)
	if err != nil {
		return nil, r.hold.failed(ctx, err)
	}
	if len(response.GetColours()) != len(raw) {
		return nil, r.hold.blame("colours has %d answers for %d measurements", len(response.GetColours()), len(raw))
	}
	out := make([]Colour, len(raw))
	for i, c := range response.GetColours() {
		switch {
		case c.GetLab() == nil && c.GetFault() == "":
			return nil, r.hold.blame("colours[%d] has neither lab nor fault", i)
		case c.GetLab() != nil && c.GetFault() != "":
			return nil, r.hold.blame("colours[%d] has both lab and the fault %.80q", i, c.GetFault())
		case c.GetLab() == nil:
			out[i].Fault = c.GetFault()
			continue
		case !labInRange(c.GetLab()):
			return nil, r.hold.blame("colours[%d].lab is (%v, %v, %v); allowed: L* 0 to 150, a* and b* -200 to 200",
				i, c.GetLab().GetL(), c.GetLab().GetA(), c.GetLab().GetB())
		case c.StrengthKs != nil && !(c.GetStrengthKs() >= 0 && finite(c.GetStrengthKs())):
			return nil, r.hold.blame("colours[%d].strength_ks is %v; allowed: 0 or above", i, c.GetStrengthKs())
		case !finite(c.GetStrengthNm()):
			return nil, r.hold.blame("colours[%d].strength_nm is %v; allowed: a finite number", i, c.GetStrengthNm())
		}
		out[i].Lab = trial.Lab{L: c.GetLab().GetL(), A: c.GetLab().GetA(), B: c.GetLab().GetB()}
	}
	return out, nil
}

// Difference is the difference of two colours under one condition.
type Difference struct {
	Value   float64
	Formula string // with its factors, as the module prints it
	Module  *typesv1.ModuleIdentity
}

// Formula is a difference formula by its name and its parametric factors, 0 for 1.
type Formula struct {
	Name       string
	KL, KC, KH float64
}

// ComputeDifference asks the difference module for one pair. Errors: *ModuleError; ctx.Err().
func (p *Pipeline) ComputeDifference(ctx context.Context, condition trial.ColourCondition, formula Formula, reference, sample trial.Lab) (Difference, error) {
	h, err := p.acquire(KindDifference)
	if err != nil {
		return Difference{}, err
	}
	defer h.handle.Release()
	response, err := differencev1.NewDifferenceServiceClient(h.handle).ComputeDifferences(ctx, &differencev1.ComputeDifferencesRequest{
		Condition: conditionMessage(condition),
		Formula:   formula.Name,
		KL:        formula.KL,
		KC:        formula.KC,
		KH:        formula.KH,
		Pairs:     []*differencev1.ColourPair{{Reference: labMessage(reference), Sample: labMessage(sample)}},
	})
	switch {
	case err != nil:
		return Difference{}, h.failed(ctx, err)
	case len(response.GetDifferences()) != 1:
		return Difference{}, h.blame("differences has %d figures for 1 pair", len(response.GetDifferences()))
	case !finite(response.GetDifferences()[0]) || response.GetDifferences()[0] < 0:
		return Difference{}, h.blame("differences[0] is %v; allowed: 0 or above", response.GetDifferences()[0])
	case response.GetFormula() == "":
		return Difference{}, h.blame("formula is missing")
	}
	return Difference{Value: response.GetDifferences()[0], Formula: response.GetFormula(), Module: h.identity()}, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func labInRange(lab *typesv1.Lab) bool {
	within := func(x, low, high float64) bool { return x >= low && x <= high } // false for NaN
	return within(lab.GetL(), 0, 150) && within(lab.GetA(), -200, 200) && within(lab.GetB(), -200, 200)
}
