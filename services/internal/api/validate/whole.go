package validate

import (
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// typed lets a check of several fields be written over the generated type.
func typed[M proto.Message](check func(w *walk, p *path, m M)) func(*walk, *path, protoreflect.Message) {
	return func(w *walk, p *path, m protoreflect.Message) {
		if message, ok := m.Interface().(M); ok {
			check(w, p, message)
			return
		}
		w.fault(p, "can't be checked")
	}
}

func amount(w *walk, p *path, m *typesv1.Amount) {
	if m.GetKnowledge() == typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN {
		if m.Value != nil {
			w.fault(p.of("value"), "%s is given; allowed with AMOUNT_KNOWLEDGE_NOT_KNOWN: none", figure(m.GetValue()))
		}
		return
	}
	if m.Value == nil {
		w.fault(p.of("value"), "is required; allowed: 0 to 1000000, or knowledge AMOUNT_KNOWLEDGE_NOT_KNOWN")
	}
	if m.GetUnit() == typesv1.AmountUnit_AMOUNT_UNIT_UNSPECIFIED {
		w.fault(p.of("unit"), "is required; allowed: %s", enumNames(m.GetUnit().Descriptor(), true))
	}
}

// inUnit: an amount that can only be a mass, or only a volume.
func inUnit(w *walk, p *path, m *typesv1.Amount, unit typesv1.AmountUnit) {
	known := m.GetUnit().Descriptor().Values().ByNumber(m.GetUnit().Number()) != nil
	if m != nil && known && m.GetUnit() != unit && m.GetUnit() != typesv1.AmountUnit_AMOUNT_UNIT_UNSPECIFIED {
		w.fault(p.of("unit"), "%v is not of this quantity; allowed: %v", m.GetUnit(), unit)
	}
}

func fibre(w *walk, p *path, m *typesv1.Fibre) {
	sum, seen := 0.0, make(map[string]bool)
	for i, part := range m.GetComposition() {
		sum += part.GetPercent()
		if seen[part.GetFibre()] {
			w.fault(p.of("composition").at(i).of("fibre"), "%s is there twice; allowed: each fibre once", shown(part.GetFibre()))
		}
		seen[part.GetFibre()] = true
	}
	if len(m.GetComposition()) > 0 && !(math.Abs(sum-100) <= 0.5) { // so that NaN is refused
		w.fault(p.of("composition"), "adds up to %s percent; allowed: 99.5 to 100.5", figure(sum))
	}
}

func sharing(w *walk, p *path, m *typesv1.Sharing) {
	if m.GetLevel() == typesv1.SharingLevel_SHARING_LEVEL_PUBLIC && m.GetLicence() == "" {
		w.fault(p.of("licence"), "is required when the level is public; allowed: an SPDX identifier of 1 to 60 characters")
	}
}

func rawColour(w *walk, p *path, m *typesv1.RawColour) {
	switch {
	case m.GetValue() == nil:
		w.fault(p, "is empty; allowed: one of spectrum, lab")
	case m.GetLab() != nil && m.GetLabCondition() == nil:
		w.fault(p.of("lab_condition"), "is required with lab")
	case m.GetSpectrum() != nil && m.GetLabCondition() != nil:
		w.fault(p.of("lab_condition"), "is given with a spectrum; allowed: only with lab")
	}
}

func abandoned(w *walk, p *path, state labv1.TrialState, reason string) {
	switch is := state == labv1.TrialState_TRIAL_STATE_ABANDONED; {
	case is && reason == "":
		w.fault(p.of("abandoned_reason"), "is required with TRIAL_STATE_ABANDONED; allowed: 1 to 500 characters")
	case !is && reason != "":
		w.fault(p.of("abandoned_reason"), "is given; allowed: only with TRIAL_STATE_ABANDONED")
	}
}

func wholeTrial(w *walk, p *path, m *labv1.Trial) {
	abandoned(w, p, m.GetState(), m.GetAbandonedReason())
}

func piece(w *walk, p *path, m *labv1.Piece) {
	if m.GetFibre() == nil && m.GetOrigin() == nil {
		w.fault(p.of("fibre"), "is required, except for a part of another piece")
	}
	inUnit(w, p.of("mass"), m.GetMass(), typesv1.AmountUnit_AMOUNT_UNIT_GRAM)
	if id := m.GetOrigin().GetParentPieceId(); id != "" && id == m.GetId() {
		w.fault(p.of("origin").of("parent_piece_id"), "%s is the piece itself; allowed: another piece", shown(id))
	}
}

func immersion(w *walk, p *path, m *labv1.Immersion) {
	entered, left := m.GetEntered(), m.GetLeft()
	if entered.GetTime() == nil || left.GetTime() == nil {
		return
	}
	// Both are claims of some width: only what can't be is refused.
	if left.GetTime().AsTime().Add(width(left.GetPrecision())).Before(entered.GetTime().AsTime()) {
		w.fault(p.of("left"), "%s is before entered; allowed: not before %s",
			left.GetTime().AsTime().Format(time.RFC3339), entered.GetTime().AsTime().Format(time.RFC3339))
	}
}

// width is how far a claimed time may be off.
func width(precision typesv1.TimePrecision) time.Duration {
	const day = 24 * time.Hour
	switch precision {
	case typesv1.TimePrecision_TIME_PRECISION_MINUTE:
		return time.Minute
	case typesv1.TimePrecision_TIME_PRECISION_HOUR:
		return time.Hour
	case typesv1.TimePrecision_TIME_PRECISION_DAY:
		return day
	default:
		return 31 * day
	}
}

func look(w *walk, p *path, m *labv1.Look) {
	if m.GetPieceId() == "" && m.GetBathId() == "" {
		w.fault(p, "is of nothing; allowed: one of piece_id, bath_id")
	}
}

func judgement(w *walk, p *path, m *labv1.Judgement) {
	if id := m.GetFirstPieceId(); id != "" && id == m.GetSecondPieceId() {
		w.fault(p.of("second_piece_id"), "%s is the first piece; allowed: another piece", shown(id))
	}
	grey := m.GetQuality() == labv1.JudgedQuality_JUDGED_QUALITY_GREY_SCALE
	chosen := m.GetChoice() != labv1.JudgedChoice_JUDGED_CHOICE_UNSPECIFIED
	switch step := 2 * m.GetGreyScaleStep(); {
	case grey && chosen:
		w.fault(p.of("choice"), "is given with JUDGED_QUALITY_GREY_SCALE; allowed: none, and grey_scale_step")
	case grey && m.GreyScaleStep == nil:
		w.fault(p.of("grey_scale_step"), "is required with JUDGED_QUALITY_GREY_SCALE; allowed: 1 to 5, whole and half steps")
	case grey && step != math.Trunc(step):
		w.fault(p.of("grey_scale_step"), "is %s; allowed: 1 to 5, whole and half steps", figure(m.GetGreyScaleStep()))
	case !grey && m.GreyScaleStep != nil:
		w.fault(p.of("grey_scale_step"), "is given; allowed: only with JUDGED_QUALITY_GREY_SCALE")
	case !grey && !chosen:
		w.fault(p.of("choice"), "is required; allowed: %s", enumNames(m.GetChoice().Descriptor(), true))
	}
}

func bath(w *walk, p *path, m *labv1.Bath) {
	purposes(w, p, m.GetPurposes(), m.GetContentsNotStated())
	inUnit(w, p.of("liquor"), m.GetLiquor(), typesv1.AmountUnit_AMOUNT_UNIT_LITRE)
	exhaustOneWay(w, p, m)
}

func exhaustOneWay(w *walk, p *path, m interface {
	GetExhaustNotStated() bool
	GetExhaustNumberNotStated() bool
}) {
	if m.GetExhaustNotStated() && m.GetExhaustNumberNotStated() {
		w.fault(p.of("exhaust_not_stated"), "is set with exhaust_number_not_stated; allowed: one of them")
	}
}

func importBath(w *walk, p *path, m *labv1.ImportBath) {
	purposes(w, p, m.GetPurposes(), m.GetContentsNotStated())
	exhaustOneWay(w, p, m)
}

func purposes(w *walk, p *path, given []labv1.BathPurpose, notStated bool) {
	if len(given) == 0 && !notStated {
		w.fault(p.of("purposes"), "is required; allowed: %s; none only with contents_not_stated",
			enumNames(labv1.BathPurpose(0).Descriptor(), true))
	}
}

func bathCheck(w *walk, p *path, m *labv1.Check) {
	if m.Ph == nil && m.TemperatureC == nil && m.GetNote() == "" {
		w.fault(p, "says nothing; allowed: at least one of ph, temperature_c, note")
	}
}

// newExperiment is an experiment with all that its question needs, and nothing of the others.
func newExperiment(w *walk, p *path, m *labv1.Experiment) {
	experiment(w, p, m)
	orders := m.GetAsks() <= labv1.ExperimentAsks_EXPERIMENT_ASKS_ORDERS
	waters := m.GetAsks() == labv1.ExperimentAsks_EXPERIMENT_ASKS_WATERS
	for _, x := range []struct {
		field       string
		length      int
		wanted      bool
		least, most int
		only        string
	}{
		{"first_dye", len(m.GetFirstDye()), orders, 1, 60, "ORDERS"}, {"second_dye", len(m.GetSecondDye()), orders, 1, 60, "ORDERS"}, {"arms", len(m.GetArms()), orders, 2, 7, "ORDERS"},
		{"water_source_ids", len(m.GetWaterSourceIds()), waters, 2, maxCompared, "WATERS"},
		{"values", len(m.GetValues()), !orders && !waters, 2, maxCompared, "FIBRES, MORDANTS and EXHAUST_BATHS"},
	} {
		switch {
		case x.wanted && x.length < x.least:
			w.fault(p.of(x.field), "is too short for what is asked; allowed: %d to %d", x.least, x.most)
		case !x.wanted && x.length > 0:
			w.fault(p.of(x.field), "is given; allowed: only where asks is %s", x.only)
		}
	}
}

func experiment(w *walk, p *path, m *labv1.Experiment) {
	if m.GetFirstDye() != "" && m.GetFirstDye() == m.GetSecondDye() {
		w.fault(p.of("second_dye"), "%s is first_dye; allowed: another dyestuff", shown(m.GetSecondDye()))
	}
	for _, arm := range []labv1.ExperimentArm{labv1.ExperimentArm_EXPERIMENT_ARM_A_THEN_B, labv1.ExperimentArm_EXPERIMENT_ARM_B_THEN_A} {
		if len(m.GetArms()) > 0 && !slices.Contains(m.GetArms(), arm) {
			w.fault(p.of("arms"), "lacks %v; allowed: both orders, and any others", arm)
		}
	}
}

// comparePieces refuses factors that the formula doesn't have.
func comparePieces(w *walk, p *path, m *poolv1.ComparePiecesRequest) {
	for _, f := range []struct {
		field string
		k     float64
		in    []string // formulas without it
	}{{"k_l", m.GetKL(), []string{"cie76"}}, {"k_c", m.GetKC(), []string{"cie76"}}, {"k_h", m.GetKH(), []string{"cie76", "cmc"}}} {
		if f.k != 0 && f.k != 1 && slices.Contains(f.in, m.GetFormula()) {
			w.fault(p.of(f.field), "is %s; allowed: 0 or 1, since %s has no such factor", figure(f.k), m.GetFormula())
		}
	}
}

func predictOverdye(w *walk, p *path, m *poolv1.PredictOverdyeRequest) {
	if m.GetFirstPiece() == "" {
		if m.GetFirstColour() == nil {
			w.fault(p.of("first_piece"), "is missing; allowed: a piece, or first_colour in its place")
		}
		if m.GetFirstDye() == "" {
			w.fault(p.of("first_dye"), "is empty; allowed: 1 to 60 characters without first_piece")
		}
		if m.GetFibre() == "" {
			w.fault(p.of("fibre"), "is empty; allowed: 1 to 60 characters without first_piece")
		}
		return
	}
	if m.GetFirstColour() != nil {
		w.fault(p.of("first_colour"), "is given; allowed: not beside first_piece")
	}
	for _, x := range []struct{ field, text string }{{"first_dye", m.GetFirstDye()}, {"fibre", m.GetFibre()}, {"mordant", m.GetMordant()}} {
		if x.text != "" {
			w.fault(p.of(x.field), "is given; allowed: not beside first_piece, which tells it")
		}
	}
}
