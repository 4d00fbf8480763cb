// Package planfile reads what members write for the bench: plans, workshops, and what they say of their own health, which is read here and goes nowhere. Units
// stand with the figures. Every fault of a file is told at once, with its line. The formats are described in README.md of clients/commonvat.
package planfile

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	"github.com/commonvat/commonvat/clients/internal/sheet"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// File is a parsed plan.
type File struct {
	Plan   *benchv1.Plan
	places map[string]string
}

// Where says in the file's own terms what a field of the request is; "" for what it doesn't know.
func (f *File) Where(field string) string {
	return f.places[strings.TrimPrefix(indexed.FindString(field), "plan.")]
}

var indexed = regexp.MustCompile(`^plan\.[a-z_]+\[\d+\]`)

type reader struct {
	faults document.Faults
	places map[string]string
}

// Parse reads a plan. seed is its id when the file has none of its own; it must have passed ids.Check. Piece ids are derived from the id and the
// labels as in a trial's file, so that a trial of the same id whose pieces have the same names finds the codes that were reserved. Errors are *document.Error.
func Parse(data []byte, seed string) (*File, error) {
	root, err := document.Parse(data)
	if err != nil {
		return nil, err
	}
	r := &reader{places: map[string]string{}}
	f := r.faults.Fields(root, "")
	if id := f.Text("id"); id != "" {
		if err := ids.Check(id); err != nil {
			f.Fault("id", "%v", err)
		} else {
			seed = id
		}
	}
	p := &benchv1.Plan{
		Id: seed, Title: f.Text("title"), TrialId: f.Text("trial"), WantedShift: f.Text("wanted_shift"), Store: f.Texts("store"), StoreTold: f.Has("store"),
		Refused: f.Texts("refused"), Answers: r.answers(f), WofReference: words.ReadOptional[benchv1.WofReference](f, "percent_of"), Regains: r.regains(f), WantedHardness: wantedHardness(f), LayOutDays: f.Bool("lay_out_days"),
	}
	if p.GetTitle() == "" {
		f.Fault("title", "is required")
	}
	if p.GetTrialId() != "" && !ids.Is(p.GetTrialId()) {
		f.Fault("trial", "%q is not the UUID of a trial", p.GetTrialId())
	}
	r.pieces(f, p)
	for i, n := range f.List("waters") {
		p.Waters = append(p.Waters, r.water(r.faults.Fields(n, fmt.Sprintf("waters[%d]", i))))
	}
	if n := f.Child("mordant"); n != nil {
		p.Mordant = r.mordant(r.faults.Fields(n, "mordant"))
	}
	for i, n := range f.List("baths") {
		b := r.faults.Fields(n, fmt.Sprintf("baths[%d]", i))
		r.places[fmt.Sprintf("baths[%d]", i)] = fmt.Sprintf("bath %q, line %d", b.Text("name"), b.Line)
		p.Baths = append(p.Baths, r.bath(b))
	}
	if len(p.GetBaths()) == 0 {
		f.Fault("baths", "is required: the baths in the order of work")
	}
	f.Close()
	if err := r.faults.Err(); err != nil {
		return nil, err
	}
	return &File{Plan: p, places: r.places}, nil
}

const maxCount = 200

func (r *reader) pieces(f *document.Fields, p *benchv1.Plan) {
	seen := map[string]int{}
	for i, n := range f.List("pieces") {
		e := r.faults.Fields(n, fmt.Sprintf("pieces[%d]", i))
		name := e.Text("name")
		if name == "" || ids.Is(name) {
			e.Fault("name", "is required: a short name to use inside this file, and no UUID")
		}
		one := &benchv1.PlanPiece{
			Composition: r.fibre(e), MassG: mass(e, "mass", true), BalanceStepG: mass(e, "balance_step", false), Basis: words.ReadOptional[typesv1.WeighingBasis](e, "weighed"),
			RegainPercent: e.Number("regain_percent"), MoistureContentPercent: e.Number("moisture_content_percent"), TakenFrom: e.Text("taken_from"), EarlierMaterials: e.Texts("earlier"),
		}
		if v := e.Number("pickup_percent"); v != nil {
			one.PickupPercent = *v
		}
		count := int32(1)
		if e.Has("count") {
			if count = e.Whole("count", 1, maxCount); count > 1 && one.GetTakenFrom() != "" {
				e.Fault("taken_from", "is of one piece; count says %d", count)
			}
		}
		e.Close()
		for k := range count {
			label := name
			if e.Has("count") {
				label = fmt.Sprintf("%s %d", name, k+1)
			}
			if line, twice := seen[label]; twice {
				e.Fault("name", "%q names two pieces; the other is of line %d", label, line)
				break
			}
			seen[label] = e.Line
			r.places[fmt.Sprintf("pieces[%d]", len(p.GetPieces()))] = fmt.Sprintf("piece %q, line %d", label, e.Line)
			p.Pieces = append(p.Pieces, &benchv1.PlanPiece{
				Id: ids.Derive(p.GetId(), "piece", label), Label: label, Composition: one.GetComposition(), MassG: one.GetMassG(), BalanceStepG: one.GetBalanceStepG(), Basis: one.GetBasis(),
				RegainPercent: one.RegainPercent, MoistureContentPercent: one.MoistureContentPercent, PickupPercent: one.GetPickupPercent(), TakenFrom: one.GetTakenFrom(), EarlierMaterials: one.GetEarlierMaterials(),
			})
			if len(p.GetPieces()) > maxCount {
				e.Fault("count", "makes more than %d pieces", maxCount)
				return
			}
		}
	}
	if len(p.GetPieces()) == 0 {
		f.Fault("pieces", "is required")
	}
}

// fibre is one name, or names with their percent.
func (r *reader) fibre(f *document.Fields) (parts []*typesv1.FibrePart) {
	n := f.Child("fibre")
	switch {
	case n == nil:
		f.Fault("fibre", "is required: a name, or names with their percent, such as {wool: 80, silk: 20}")
	case n.Kind == document.Mapping:
		each := r.faults.Fields(n, f.PathOf("fibre"))
		for _, key := range n.Keys {
			v := each.Number(key.Name)
			if v == nil {
				each.Fault(key.Name, "must be a figure in percent")
				continue
			}
			parts = append(parts, &typesv1.FibrePart{Fibre: key.Name, Percent: *v})
		}
	default:
		if name := f.Text("fibre"); name != "" {
			parts = append(parts, &typesv1.FibrePart{Fibre: name, Percent: 100})
		}
	}
	return parts
}

// figure reads an amount that is known. What isn't can be recorded of a bath that was made, and never be scaled.
func figure(f *document.Fields, key string, kind quantity.Kind, must bool) float64 {
	text := f.Text(key)
	if text == "" {
		if must {
			f.Fault(key, "is required, with its unit")
		}
		return 0
	}
	a, err := quantity.Amount(text, kind, "")
	switch {
	case err != nil:
		f.Fault(key, "%v", err)
	case a.Value == nil:
		f.Fault(key, "%q can be recorded and not be scaled: a figure is wanted", text)
	}
	return a.GetValue()
}

func mass(f *document.Fields, key string, must bool) float64 {
	return figure(f, key, quantity.Mass, must)
}

func litres(f *document.Fields, key string) float64 { return figure(f, key, quantity.Volume, true) }

func celsius(f *document.Fields, key string, must bool) float64 {
	text := f.Text(key)
	if text == "" {
		if must {
			f.Fault(key, "is required, with its unit")
		}
		return 0
	}
	v, err := quantity.Celsius(text)
	if err != nil {
		f.Fault(key, "%v", err)
	}
	return v
}

func number(f *document.Fields, key string) float64 {
	if v := f.Number(key); v != nil {
		return *v
	}
	return 0
}

// regains are those of fibres in percent of their oven-dry mass.
func (r *reader) regains(f *document.Fields) (list []*benchv1.PlanRegain) {
	n := f.Child("regains")
	if n == nil {
		return nil
	}
	each := r.faults.Fields(n, f.PathOf("regains"))
	for _, key := range f.Map("regains") {
		v := each.Number(key.Name)
		if v == nil {
			each.Fault(key.Name, "must be a figure in percent")
			continue
		}
		list = append(list, &benchv1.PlanRegain{Fibre: key.Name, Percent: *v})
	}
	return list
}

func (r *reader) mordant(f *document.Fields) *benchv1.MordantWish {
	w := &benchv1.MordantWish{Vessel: f.Text("vessel"), Heat: r.heat(f), Ph: ph(f), Answers: r.answers(f), Choice: f.Whole("choice", 0, 50), WithinRange: f.Number("within_range")}
	switch {
	case f.Has("liquor_ratio") == f.Has("liquor"):
		f.Fault("liquor_ratio", "one of liquor_ratio and liquor is required")
	case f.Has("liquor"):
		w.Volume = &benchv1.MordantWish_Litres{Litres: litres(f, "liquor")}
	default:
		w.Volume = &benchv1.MordantWish_LiquorRatio{LiquorRatio: number(f, "liquor_ratio")}
	}
	if n := f.Child("modifier"); n != nil {
		m := r.faults.Fields(n, f.PathOf("modifier"))
		w.Modifier = &benchv1.ModifierWish{Vessel: m.Text("vessel"), Heat: r.heat(m), Ph: ph(m)}
		m.Close()
	}
	f.Close()
	return w
}

func (r *reader) heat(f *document.Fields) *benchv1.Heat {
	n := f.Child("heat")
	if n == nil {
		return nil
	}
	h := r.faults.Fields(n, f.PathOf("heat"))
	out := &benchv1.Heat{
		StartC: celsius(h, "start", true), HoldC: celsius(h, "hold", true), HoldMin: number(h, "minutes"), RateCPerMin: number(h, "c_per_minute"), CoolMin: number(h, "cool_minutes"),
		LooksMin: h.Numbers("looks", document.Decimal),
	}
	h.Close()
	return out
}

var phForm = regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?)(?: to ([0-9]+(?:\.[0-9]+)?))?$`)

func ph(f *document.Fields) *benchv1.PhRange {
	text := f.Text("ph")
	if text == "" {
		return nil
	}
	m := phForm.FindStringSubmatch(text)
	if m == nil {
		f.Fault("ph", "%.40q must be a figure, or a range such as \"9 to 10\"", text)
		return nil
	}
	out := &benchv1.PhRange{}
	out.Low, _ = document.Decimal(m[1])
	if out.High = out.GetLow(); m[2] != "" {
		out.High, _ = document.Decimal(m[2])
	}
	return out
}

func (r *reader) bath(f *document.Fields) *benchv1.PlanBath {
	b := &benchv1.PlanBath{
		Name: f.Text("name"), Kind: words.ReadOptional[benchv1.BathKind](f, "kind"), Pieces: f.Texts("pieces"), Vessel: f.Text("vessel"), Dips: f.Whole("dips", 0, 1000), Vat: f.Text("vat"),
		IndigoGPerL: number(f, "indigo_g_per_l"), IndigoPurityPercent: f.Number("indigo_purity_percent"), ExhaustOf: f.Text("exhaust_of"), PiecesLifted: f.Whole("pieces_lifted", 0, 199),
		Heat: r.heat(f), Ph: ph(f), RinsedBefore: f.Bool("rinsed_before"), Day: f.Whole("day", 0, 60), Answers: r.answers(f),
		IndigoByActiveDye: f.Bool("indigo_by_active_dye"), BlankOf: f.Text("blank_of"),
	}
	if b.GetName() == "" {
		f.Fault("name", "is required")
	}
	if b.GetKind() == 0 && f.Text("kind") == "" {
		f.Fault("kind", "is required: scour, tannin, mordant, extract, dye, vat, modifier, strip, rinse or ferment")
	}
	switch {
	case f.Has("liquor_ratio") == f.Has("liquor"):
		f.Fault("liquor_ratio", "one of liquor_ratio (millilitres for each gram) and liquor (a volume) is required")
	case f.Has("liquor"):
		b.Volume = &benchv1.PlanBath_Litres{Litres: litres(f, "liquor")}
	default:
		b.Volume = &benchv1.PlanBath_LiquorRatio{LiquorRatio: number(f, "liquor_ratio")}
	}
	for i, n := range f.List("materials") {
		b.Doses = append(b.Doses, r.dose(r.faults.Fields(n, fmt.Sprintf("%s[%d]", f.PathOf("materials"), i))))
	}
	if n := f.Child("taken_up"); n != nil {
		u := r.faults.Fields(n, f.PathOf("taken_up"))
		for _, key := range f.Map("taken_up") {
			if v := u.Number(key.Name); v != nil {
				b.Uptakes = append(b.Uptakes, &benchv1.PlanUptake{Material: key.Name, Part: *v})
			}
		}
	}
	f.Close()
	return b
}

var (
	percentForm = regexp.MustCompile(`(?i)^([0-9]+(?:\.[0-9]+)?) ?% ?(wof|owf)?$`)
	litreForm   = regexp.MustCompile(`(?i)^([0-9]+(?:\.[0-9]+)?) ?g ?(?:/|per) ?l$`)
	dipForm     = regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?) ?g (?:per|a) dip$`)
	partsForm   = regexp.MustCompile(`^([0-9]+(?:\.[0-9]+)?) parts? (?:of|to) (.{1,60})$`)
)

// ParseDose reads "20 % wof", "2 g/L", "3 g per dip", "2 parts of indigo" or a mass such as "30 g" or "1 oz" into a dose.
func ParseDose(text string, dose *benchv1.PlanDose) error {
	text = strings.TrimSpace(text)
	if m := percentForm.FindStringSubmatch(text); m != nil {
		if m[2] == "" {
			return fmt.Errorf("%.40q: percent of what? Write %% wof for the weight of fibre, or g/L", text)
		}
		v, ok := document.Decimal(m[1])
		dose.Figure = &benchv1.PlanDose_PercentWof{PercentWof: v}
		return decimal(ok, text)
	}
	if m := litreForm.FindStringSubmatch(text); m != nil {
		v, ok := document.Decimal(m[1])
		dose.Figure = &benchv1.PlanDose_GramsPerLitre{GramsPerLitre: v}
		return decimal(ok, text)
	}
	if m := dipForm.FindStringSubmatch(text); m != nil {
		v, ok := document.Decimal(m[1])
		dose.Figure = &benchv1.PlanDose_GramsPerDip{GramsPerDip: v}
		return decimal(ok, text)
	}
	if m := partsForm.FindStringSubmatch(text); m != nil {
		v, ok := document.Decimal(m[1])
		dose.Figure = &benchv1.PlanDose_PartsOf{PartsOf: &benchv1.PlanParts{Parts: v, Of: strings.TrimSpace(m[2])}}
		return decimal(ok, text)
	}
	a, err := quantity.Amount(text, quantity.Mass, "")
	if err != nil {
		return fmt.Errorf("%.40q is no dose; write for example \"20 %% wof\", \"2 g/L\", \"3 g per dip\", \"2 parts of indigo\" or \"30 g\"", text)
	}
	if a.Value == nil {
		return fmt.Errorf("%.40q can be recorded and not be scaled: a figure is wanted", text)
	}
	dose.Figure = &benchv1.PlanDose_Grams{Grams: a.GetValue()}
	return nil
}

func decimal(ok bool, text string) error {
	if !ok {
		return fmt.Errorf("%.40q has no figure that can be read", text)
	}
	return nil
}

func (r *reader) dose(f *document.Fields) *benchv1.PlanDose {
	d := &benchv1.PlanDose{
		Material: f.Text("material"), Dyestuff: f.Bool("dyestuff"), DyeClass: f.Text("dye_class"), Form: words.ReadOptional[benchv1.DoseForm](f, "form"), Strength: f.Number("strength"),
		MoisturePercent: f.Number("moisture_percent"), PurityPercent: f.Number("purity_percent"), LiquidGPerL: f.Number("liquid_g_per_l"), SolubleGPerL: f.Number("soluble_g_per_l"),
		LiquidPercent: f.Number("liquid_percent"), Answers: r.answers(f),
	}
	if text := f.Text("liquid_density"); text != "" {
		v, err := quantity.Density(text)
		if err != nil {
			f.Fault("liquid_density", "%v", err)
		}
		d.LiquidDensityKgPerL = &v
	}
	if d.GetMaterial() == "" {
		f.Fault("material", "is required")
	}
	if text := f.Text("dose"); text == "" {
		f.Fault("dose", "is required, such as \"20 %% wof\" or \"2 g/L\"")
	} else if err := ParseDose(text, d); err != nil {
		f.Fault("dose", "%v", err)
	}
	f.Close()
	return d
}

var rangeForm = regexp.MustCompile(`^(-?[0-9]+(?:\.[0-9]+)?) to (-?[0-9]+(?:\.[0-9]+)?)$`)

// answers reads the mapping "answers" from fields to values, and the list "doubtful" of fields that were not checked.
func (r *reader) answers(f *document.Fields) (list []*benchv1.Answer) {
	doubtful := map[string]bool{}
	for _, name := range f.Texts("doubtful") {
		doubtful[name] = true
	}
	n := f.Child("answers")
	if n == nil {
		for name := range doubtful {
			f.Fault("doubtful", "%q is no field that is answered here", name)
		}
		return nil
	}
	each := r.faults.Fields(n, f.PathOf("answers"))
	for _, key := range f.Map("answers") {
		if strings.HasPrefix(key.Name, "person") {
			each.Fault(key.Name, "is about your health: it isn't sent; see --health")
			continue
		}
		a := &benchv1.Answer{Field: key.Name, Doubtful: doubtful[key.Name]}
		delete(doubtful, key.Name)
		switch child := each.Child(key.Name); {
		case child == nil:
			each.Fault(key.Name, "has no value; leave it out when it isn't known")
			continue
		case child.Kind == document.Sequence:
			a.Value = &benchv1.Answer_Texts{Texts: &benchv1.AnswerTexts{Values: each.Texts(key.Name)}}
		default:
			put(a, each.Text(key.Name), child.Quoted)
		}
		list = append(list, a)
	}
	for name := range doubtful {
		f.Fault("doubtful", "%q is no field that is answered here", name)
	}
	return list
}

// put reads a scalar: true, false, yes and no as such, figures and ranges as figures, all else, and what is quoted, as a word.
func put(a *benchv1.Answer, text string, quoted bool) {
	if !quoted {
		switch text {
		case "true", "yes":
			a.Value = &benchv1.Answer_Truth{Truth: true}
			return
		case "false", "no":
			a.Value = &benchv1.Answer_Truth{Truth: false}
			return
		}
		low, high := text, text
		if m := rangeForm.FindStringSubmatch(text); m != nil {
			low, high = m[1], m[2]
		}
		from, ok := document.Decimal(low)
		to, ok2 := document.Decimal(high)
		if ok && ok2 {
			a.Value = &benchv1.Answer_Number{Number: &benchv1.AnswerNumber{Low: from, High: to}}
			return
		}
	}
	a.Value = &benchv1.Answer_Texts{Texts: &benchv1.AnswerTexts{Values: []string{text}}}
}

// ParseHealth reads what a member says of themselves. It is for pages that are made on the same machine.
func ParseHealth(data []byte) (h sheet.Health, err error) {
	root, err := document.Parse(data)
	if err != nil {
		return h, err
	}
	var faults document.Faults
	f := faults.Fields(root, "")
	truth := func(key string) *bool {
		switch text := f.Text(key); text {
		case "":
			return nil
		case "yes", "true":
			yes := true
			return &yes
		case "no", "false":
			no := false
			return &no
		default:
			f.Fault(key, "%.20q must be yes or no; leave it out when you don't want to say", text)
			return nil
		}
	}
	h.PregnantOrBreastfeeding, h.Asthma = truth("pregnant_or_breastfeeding"), truth("asthma")
	h.AllergyTold = f.Has("allergic_to")
	named := func(key string) (list []string) {
		for _, text := range f.Texts(key) {
			if strings.TrimSpace(text) == "" || text == "none" || text == "no" {
				f.Fault(key, "%.20q is no material; write [] when there is none", text)
				continue
			}
			list = append(list, text)
		}
		return list
	}
	h.AllergicTo, h.NotAllergicTo = named("allergic_to"), named("not_allergic_to")
	f.Close()
	return h, faults.Err()
}
