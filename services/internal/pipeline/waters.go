package pipeline

import (
	"context"
	"fmt"

	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// WatersQuestion asks what waters do to the colour.
type WatersQuestion struct {
	Condition trial.ColourCondition
	Labels    Labels   // groups are waters, cells recipes
	Members   []string // of each of Labels.Blocks; "" where not known
	Rows      []Row
	Seed      uint64
	// Reference is the group that the others are held against; "": the module chooses.
	Reference  string
	Covariates []*comparev1.WaterCovariate // of indexes into Labels.Groups
	// Of an experiment: whether it stands at its closing size, the covariate that it names or "", and what matters.
	Closing        bool
	NamedCovariate string
	ToleranceDE00  float64 // 0: the module's own
	Alpha          float64 // the p up to which waters are called different; 0: the module's own
}

// CompareWaters asks the compare module and checks its answer. Errors: as MeasureOrderEffect.
func (p *Pipeline) CompareWaters(ctx context.Context, q WatersQuestion) (*comparev1.CompareWatersResponse, *typesv1.ModuleIdentity, error) {
	rows, err := inOrder(q.Rows)
	if err != nil {
		return nil, nil, err
	}
	header := &comparev1.CompareWatersRequest{Part: &comparev1.CompareWatersRequest_Header{Header: &comparev1.WatersHeader{
		Condition: conditionMessage(q.Condition), Labels: q.Labels.message(), RowCount: int64(len(rows)), BlockMembers: q.Members, Seed: q.Seed,
		Reference: q.Reference, Covariates: q.Covariates, Closing: q.Closing, NamedCovariate: q.NamedCovariate, ToleranceDe00: q.ToleranceDE00,
		Alpha: q.Alpha,
	}}}
	return askRows(ctx, p, rows,
		func(ctx context.Context, c comparev1.CompareServiceClient) (clientStream[comparev1.CompareWatersRequest, comparev1.CompareWatersResponse], error) {
			return c.CompareWaters(ctx, withRows)
		}, header, func(h *hold, r *comparev1.CompareWatersResponse) error { return h.checkWaters(q, r) })
}

func (h *hold) checkWaters(q WatersQuestion, r *comparev1.CompareWatersResponse) error {
	known := func(i uint32) bool { return int(i) < len(q.Labels.Groups) }
	tested := r.GetVerdict() > comparev1.WatersVerdict_WATERS_VERDICT_WATER_OR_MEMBER
	switch {
	case r.GetVerdict() <= comparev1.WatersVerdict_WATERS_VERDICT_UNSPECIFIED || r.GetVerdict() > comparev1.WatersVerdict_WATERS_VERDICT_NO_ANSWER_AT_THIS_SIZE:
		return h.wrong("verdict", r.GetVerdict(), "a known verdict")
	case tested && !q.Closing:
		return h.wrong("verdict", r.GetVerdict(), "EXPLORATORY, NOT_ENOUGH_YET or WATER_OR_MEMBER without closing")
	case tested != (r.P != nil):
		return h.blame("p is %v with the verdict %v; allowed: a p with a test, and none else", r.P, r.GetVerdict())
	case r.P != nil && !(r.GetP() > 0 && r.GetP() <= 1 && r.GetArrangements() > 0):
		return h.blame("p is %v of %d arrangements; allowed: above 0 to 1, of 1 or more", r.GetP(), r.GetArrangements())
	case r.GetVerdict() == comparev1.WatersVerdict_WATERS_VERDICT_WATER_OR_MEMBER && len(r.GetApart()) == 0:
		return h.blame("apart is empty; required with WATER_OR_MEMBER")
	case len(r.GetWaters()) > 0 && q.Reference != "" && known(r.GetReference()) && q.Labels.Groups[r.GetReference()] != q.Reference:
		return h.wrong("reference", r.GetReference(), "the one that was asked for")
	case r.GetSeed() != q.Seed:
		return h.wrong("seed", r.GetSeed(), q.Seed)
	case r.GetStatement() == "":
		return h.blame("statement is missing")
	case len(r.GetWaters()) > 0 && !known(r.GetReference()):
		return h.wrong("reference", r.GetReference(), "an index of a water")
	case !finite(r.GetNoiseFloorDe00()) || r.GetNoiseFloorDe00() < 0:
		return h.wrong("noise_floor_de00", r.GetNoiseFloorDe00(), "0 or above")
	}
	for i, w := range r.GetWaters() {
		figures := finite(w.GetL()) && finite(w.GetA()) && finite(w.GetB()) && finite(w.GetMeanDe00()) && finite(w.GetMaxDe00())
		if !known(w.GetWater()) || !figures || w.GetMeanDe00() < 0 || w.GetMaxDe00() < w.GetMeanDe00()-1e-9 {
			return h.blame("waters[%d] names no water, or its figures are out of range", i)
		}
	}
	if err := h.checkWatersPairs(r, known); err != nil {
		return err
	}
	for i, w := range r.GetApart() {
		if !known(w) {
			return h.wrong(fmt.Sprintf("apart[%d]", i), w, "an index of a water")
		}
	}
	names := map[string]bool{}
	for _, c := range q.Covariates {
		names[c.GetName()] = true
	}
	for i, c := range r.GetCorrelations() {
		switch {
		case !names[c.GetName()]:
			return h.wrong(fmt.Sprintf("correlations[%d].name", i), c.GetName(), "one of the covariates")
		case !(c.GetRho() >= -1-1e-9 && c.GetRho() <= 1+1e-9):
			return h.wrong(fmt.Sprintf("correlations[%d].rho", i), c.GetRho(), "-1 to 1")
		case c.P != nil && !(tested && c.GetName() == q.NamedCovariate && c.GetP() > 0 && c.GetP() <= 1):
			return h.blame("correlations[%d].p is %v; allowed: above 0 to 1, with a verdict and of the named covariate only", i, c.GetP())
		}
	}
	return h.checkPlaceOutlook(r.GetOutlook())
}

func (h *hold) checkWatersPairs(r *comparev1.CompareWatersResponse, known func(uint32) bool) error {
	if r.P == nil && len(r.GetPairs()) > 0 {
		return h.blame("pairs has %d without p; allowed: none", len(r.GetPairs()))
	}
	seen := map[[2]uint32]bool{}
	for i, x := range r.GetPairs() {
		two := [2]uint32{min(x.GetWaterA(), x.GetWaterB()), max(x.GetWaterA(), x.GetWaterB())}
		if two[0] == two[1] || !known(two[1]) || seen[two] {
			return h.blame("pairs[%d] is of waters %d and %d; allowed: each two waters once", i, x.GetWaterA(), x.GetWaterB())
		}
		seen[two] = true
		figures := finite(x.GetL()) && finite(x.GetA()) && finite(x.GetB()) && finite(x.GetMeanDe00()) && x.GetMeanDe00() >= 0
		if !figures || x.GetRecipes() < 0 || (x.MeanDe00 != nil) != (x.GetRecipes() > 0) {
			return h.blame("pairs[%d] has figures out of range, or a mean_de00 that doesn't go with its recipes", i)
		}
		if (x.P == nil) != (x.PAdjusted == nil) || x.P != nil && !(x.GetP() > 0 && x.GetPAdjusted() >= x.GetP()-1e-12 && x.GetPAdjusted() <= 1) {
			return h.blame("pairs[%d] has p %v and p_adjusted %v; allowed: both or neither, above 0, the second not below the first, to 1", i, x.P, x.PAdjusted)
		}
	}
	return nil
}

func (h *hold) checkPlaceOutlook(o *comparev1.PlaceOutlook) error {
	if o != nil && !(o.GetFromSessions() >= 1 && finite(o.GetTargetDe00()) && o.GetTargetDe00() >= 0 && o.GetSessionsToFind() >= 0) {
		return h.blame("outlook has figures out of range; allowed: from_sessions of 1 or above, a target_de00 and sessions of 0 or above")
	}
	return nil
}
