package bathscale

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/bathscale/amounts"
	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/sdk"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// ScaleBaths answers every bath, or none when a fault is found.
func (*Server) ScaleBaths(ctx context.Context, req *bathscalev1.ScaleBathsRequest) (*bathscalev1.ScaleBathsResponse, error) {
	var v sdk.Violations
	all := lots(&v, req)
	with := bench(&v, req.GetBench())
	baths := recipes(&v, req, all)
	to := amounts.AsWeighed
	switch req.GetReference() {
	case bathscalev1.FibreReference_FIBRE_REFERENCE_UNSPECIFIED, bathscalev1.FibreReference_FIBRE_REFERENCE_AS_WEIGHED:
	case bathscalev1.FibreReference_FIBRE_REFERENCE_CONDITIONED:
		to = amounts.Conditioned
	case bathscalev1.FibreReference_FIBRE_REFERENCE_OVEN_DRY:
		to = amounts.WithoutWater
	default:
		v.Add("reference", "is %d, want one of the enum", req.GetReference())
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	masses := map[string]amounts.Mass{}
	for i, l := range all {
		mass, err := l.fibre.ReferenceMass(to, l.regains)
		if errors.Is(err, amounts.ErrNoRegain) {
			v.Add(fmt.Sprintf("fibre[%d].regain_percent", i), "is missing: a fibre of this blend has no regain in the table, and the mass has to be converted")
			continue
		}
		if err != nil {
			return nil, wire.Failed("request", err)
		}
		masses[l.id] = mass
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	s := scaling{bench: with, masses: masses, put: map[string]map[string]float64{}, answer: &bathscalev1.ScaleBathsResponse{}}
	s.assumed(req)
	for i := range baths {
		if err := ctx.Err(); err != nil {
			return nil, status.FromContextError(err).Err()
		}
		if err := s.bath(&v, i, &baths[i]); err != nil {
			return nil, wire.Failed("request", err)
		}
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	return s.answer, nil
}

// scaling is one request being answered.
type scaling struct {
	bench  amounts.Bench
	masses map[string]amounts.Mass
	// put is what each bath holds of each material, as the recipe means it, over all its loads, with what the bath before left in it; NaN where that isn't known.
	put    map[string]map[string]float64
	answer *bathscalev1.ScaleBathsResponse
}

// assumed tells what the request left open and the answer takes for granted.
func (s *scaling) assumed(req *bathscalev1.ScaleBathsRequest) {
	remark := func(text string) { s.answer.Remarks = append(s.answer.Remarks, text) }
	basis, step, moisture := false, false, false
	for _, f := range req.GetFibre() {
		moisture = moisture || f.RegainPercent == nil && f.MoistureContentPercent == nil && f.GetBasis() != typesv1.WeighingBasis_WEIGHING_BASIS_OVEN_DRY
		basis = basis || f.GetBasis() == typesv1.WeighingBasis_WEIGHING_BASIS_UNSPECIFIED
		step = step || f.GetBalanceStepG() == 0
	}
	if basis {
		remark("fibre whose state at weighing isn't told counts as air-dry")
	}
	if step {
		remark("fibre whose balance isn't told counts as weighed exactly")
	}
	if moisture && req.GetReference() == bathscalev1.FibreReference_FIBRE_REFERENCE_OVEN_DRY {
		remark("fibre whose moisture wasn't measured counts as holding the regain of the table, which is agreed for trade and not measured")
	}
}

func (s *scaling) bath(v *sdk.Violations, i int, r *recipe) error {
	out := &bathscalev1.BathAmounts{BathId: r.m.GetBathId()}
	s.answer.Baths = append(s.answer.Baths, out)
	if r.question != nil {
		question := &bathscalev1.Question{BathId: r.m.GetBathId(), Text: r.question.Error()}
		for _, c := range r.question.Recipes {
			question.Choices = append(question.Choices, c.Name)
		}
		s.answer.Questions = append(s.answer.Questions, question)
		return nil
	}
	fillings, err := s.fillings(v, i, r)
	if err != nil || fillings == nil {
		return err
	}
	s.put[r.m.GetBathId()] = map[string]float64{}
	if err := s.leftBeside(r); err != nil {
		return err
	}
	for _, one := range fillings {
		load, err := s.load(r, one)
		if err != nil {
			return err
		}
		out.Loads = append(out.Loads, load)
		for _, text := range append(s.noStock(r, load), reduction(r, load)) {
			if text != "" && !slices.Contains(out.Remarks, text) {
				out.Remarks = append(out.Remarks, text)
			}
		}
	}
	if len(fillings) > 1 && r.m.GetExhaustOf() != "" {
		out.Remarks = append(out.Remarks, "share the liquor of the bath before among the fillings as they share the whole: each is counted with its part of what is left")
	}
	if n := len(fillings); n > 1 && r.volume.Litres > 0 {
		out.Remarks = append(out.Remarks, fmt.Sprintf("the vessel doesn't hold it all: %d equal fillings, or one after the other", n))
	}
	return nil
}

// filling is the liquor that is in the vessel at once, and the pieces that go into it.
type filling struct {
	lots   []lot
	litres float64
	// part is its share of the whole bath.
	part float64
}

// fillings shares a bath among fillings of its vessel: by its pieces where liquor goes by the fibre, else by its litres.
func (s *scaling) fillings(v *sdk.Violations, i int, r *recipe) ([]filling, error) {
	byID, pieces, whole := map[string]lot{}, make([]amounts.Piece, len(r.lots)), 0.0
	for j, l := range r.lots {
		byID[l.id] = l
		pieces[j] = amounts.Piece{ID: l.id, MassG: s.masses[l.id].G}
		whole += pieces[j].MassG
	}
	split := [][]amounts.Piece{pieces}
	var err error
	switch most := r.m.GetVesselL() * 1000 / r.volume.LiquorRatio; {
	case r.volume.Litres > 0:
		split, err = amounts.Share(pieces, int(r.fillings()))
	case r.m.GetVesselL() > 0:
		for j, l := range r.lots {
			if pieces[j].MassG > most*(1+1e-9) {
				v.Add(fmt.Sprintf("baths[%d].vessel_l", i), "is %s, which takes %.4g g at this liquor ratio, and piece %.40q weighs %.4g g",
					wire.Number(r.m.GetVesselL()), most, l.id, pieces[j].MassG)
			}
		}
		if v.Len() > 0 {
			return nil, nil
		}
		split, err = amounts.Split(pieces, most)
	}
	if err != nil {
		return nil, err
	}
	out := make([]filling, len(split))
	for j, load := range split {
		fibre := 0.0
		for _, p := range load {
			out[j].lots = append(out[j].lots, byID[p.ID])
			fibre += p.MassG
		}
		litres, err := r.volume.Of(fibre)
		if err != nil {
			return nil, err
		}
		if out[j].litres, out[j].part = litres, fibre/whole; r.volume.Litres > 0 {
			out[j].litres, out[j].part = litres/float64(len(split)), 1/float64(len(split))
		}
	}
	return out, nil
}

func (s *scaling) load(r *recipe, one filling) (*bathscalev1.LoadAmounts, error) {
	var fibre amounts.Mass
	out := &bathscalev1.LoadAmounts{}
	for _, l := range one.lots {
		fibre = fibre.Add(s.masses[l.id])
		out.CarriedMl += l.fibre.CarriedML()
		out.PieceIds = append(out.PieceIds, l.id)
	}
	out.FibreG, out.FibreUncertaintyG, out.VolumeMl, out.LiquorRatio = fibre.G, fibre.UncertaintyG, one.litres*1000, one.litres*1000/fibre.G
	meant, err := amounts.MeantG(r.doses, amounts.Load{Fibre: fibre, VolumeL: one.litres, Dips: int(r.m.GetDips()), Part: one.part})
	if err != nil {
		return nil, err
	}
	for k, d := range r.doses {
		amount, err := s.material(r, d, meant[k], fibre, one)
		if err != nil {
			return nil, err
		}
		if way := amount.GetWay(); way == bathscalev1.Way_WAY_FROM_STOCK || way == bathscalev1.Way_WAY_POURED {
			out.BroughtMl += amount.GetTakeMl()
		}
		out.Amounts = append(out.Amounts, amount)
		if err := lifted(out, r, one.lots, d.Material, meant[k], amount); err != nil {
			return nil, err
		}
	}
	out.WaterToAddMl = amounts.WaterToAdd(out.VolumeMl, out.CarriedMl, out.BroughtMl).AddML
	return out, nil
}

// lifted bounds what pieces that stay longer meet.
func lifted(out *bathscalev1.LoadAmounts, r *recipe, lots []lot, material string, meantG float64, amount *bathscalev1.MaterialAmount) error {
	if r.m.GetPiecesLifted() == 0 || len(lots) < 2 || amount.GetNotKnown() != "" {
		return nil
	}
	bounds, err := amounts.PulledEarly(out.GetFibreG()/float64(len(lots)), len(lots), meantG, out.GetVolumeMl())
	if err != nil {
		return err
	}
	for k := 1; k <= int(r.m.GetPiecesLifted()) && k < len(bounds); k++ {
		out.Lifted = append(out.Lifted, &bathscalev1.LiftedBound{
			PiecesLeft: int32(bounds[k].Remaining), Material: material, AtMostPercent: bounds[k].AtMostPercent, LiquorRatio: bounds[k].LiquorRatio,
		})
	}
	return nil
}

// material is what one filling takes of one material, beside its share of what the bath before left.
func (s *scaling) material(r *recipe, d amounts.Dose, meantG float64, fibre amounts.Mass, in filling) (*bathscalev1.MaterialAmount, error) {
	out := &bathscalev1.MaterialAmount{Material: d.Material}
	wanted := meantG
	if before := r.m.GetExhaustOf(); before != "" {
		left, known, err := s.left(r, before, d.Material)
		switch {
		case err != nil:
			return nil, err
		case !known:
			s.put[r.m.GetBathId()][d.Material] = math.NaN()
			out.NotKnown = "what the bath before left of it"
			return out, nil
		}
		left *= in.part
		out.LeftG = &left
		meantG = amounts.TopUp(meantG, left)
	}
	s.put[r.m.GetBathId()][d.Material] += math.Max(wanted, out.GetLeftG())
	out.MeantG = meantG
	atHand, err := d.AtHandG(meantG)
	var unknown *amounts.Unknown
	if errors.As(err, &unknown) {
		return &bathscalev1.MaterialAmount{Material: d.Material, NotKnown: unknown.Missing, LeftG: out.LeftG}, nil
	}
	if err != nil {
		return nil, err
	}
	var w amounts.Weighing
	if d.Form == amounts.Liquid {
		w = s.bench.Pour(atHand, d)
	} else {
		w = s.bench.Weigh(atHand, d.SolubleGPerL, in.litres*1000)
	}
	s.tell(out, w)
	delivered := amounts.DeliveredPercent(w, d, fibre)
	inBath := 100 * out.GetLeftG() / fibre.G
	out.DeliveredLowPercent, out.DeliveredPercent, out.DeliveredHighPercent = delivered.Low+inBath, delivered.Likely+inBath, delivered.High+inBath
	return out, nil
}

// leftBeside notes what the bath before left of what the recipe of a bath doesn't tell.
func (s *scaling) leftBeside(r *recipe) error {
	before := r.m.GetExhaustOf()
	for material := range s.put[before] {
		if slices.ContainsFunc(r.doses, func(d amounts.Dose) bool { return d.Material == material }) {
			continue
		}
		grams, known, err := s.left(r, before, material)
		if err != nil {
			return err
		}
		if !known {
			grams = math.NaN()
		}
		s.put[r.m.GetBathId()][material] = grams
	}
	return nil
}

// left is what an exhausted bath still has of a material, over all its loads; it is not known when the uptake isn't.
func (s *scaling) left(r *recipe, before, material string) (grams float64, known bool, err error) {
	put, was := s.put[before][material]
	if !was {
		return 0, s.put[before] != nil, nil // nothing of it went in
	}
	if math.IsNaN(put) {
		return 0, false, nil
	}
	for _, u := range r.m.GetUptakes() {
		if u.GetMaterial() == material {
			grams, err = amounts.Left(put, u.GetPart())
			return grams, err == nil, err
		}
	}
	return 0, false, nil
}

// noStock says of what the balances are too coarse for why no stock solution is planned of it, where more being told would help.
func (s *scaling) noStock(r *recipe, load *bathscalev1.LoadAmounts) (said []string) {
	for k, a := range load.GetAmounts() {
		if a.GetBeyondWanted() && a.GetWay() != bathscalev1.Way_WAY_FROM_STOCK && a.GetWay() != bathscalev1.Way_WAY_POURED && r.doses[k].SolubleGPerL == 0 && s.bench.PipetteML > 0 {
			said = append(said, fmt.Sprintf("no balance is fine enough for so little %s, and no stock solution of it is planned, since how much of it dissolves isn't told (soluble_g_per_l)", a.GetMaterial()))
		}
	}
	return said
}

func (s *scaling) tell(out *bathscalev1.MaterialAmount, w amounts.Weighing) {
	out.AtHandG, out.ShownG, out.BalanceStepG = w.ExactG, w.ShownG, w.Balance.StepG
	out.UncertaintyPercent, out.RoundedPercent, out.TakeMl = w.RelativePercent, w.RoundedPercent, w.TakeML
	if w.TakeG > 0 {
		out.TakeG = &w.TakeG
	}
	wanted := s.bench.Wanted()
	out.BeyondWanted = w.RelativePercent > wanted || math.Abs(w.RoundedPercent) > wanted
	switch w.Way {
	case amounts.Weighed:
		out.Way = bathscalev1.Way_WAY_WEIGHED
	case amounts.Poured:
		out.Way = bathscalev1.Way_WAY_POURED
	case amounts.TooSmall:
		out.Way, out.BeyondWanted = bathscalev1.Way_WAY_TOO_SMALL, true
	case amounts.FromStock:
		out.Way = bathscalev1.Way_WAY_FROM_STOCK
		out.Stock = &bathscalev1.Stock{WeighG: w.StockG, MakeUpToMl: w.StockML, GPerL: w.StockGPerL, DirectUncertaintyPercent: w.DirectPercent}
	}
}
