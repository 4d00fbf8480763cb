package trialfile

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/proto"
)

func (r *reader) readPieces(f *document.Fields, t *labv1.Trial) {
	for i, n := range f.List("pieces") {
		p := r.faults.Fields(n, fmt.Sprintf("pieces[%d]", i))
		name := r.name(p, r.place("pieces", i, "piece", p))
		msg := &labv1.Piece{
			Id: ids.Derive(r.seed, "piece", name), Label: p.Text("label"), Mass: amount(p, "mass", quantity.Mass),
			WeighingBasis: words.ReadOptional[typesv1.WeighingBasis](p, "weighed"), HistoryNotStated: p.Bool("history_not_stated"),
		}
		if msg.Label == "" {
			msg.Label = name
		}
		if !p.Has("mass") {
			p.Fault("mass", "is required; write %q when nobody weighed it", "not known")
		}
		if b := amount(p, "balance", quantity.Mass); b != nil && b.Value != nil {
			msg.BalanceResolutionG = b.Value
		}
		if s := p.Text("session"); s != "" {
			if id, ok := r.session[s]; ok {
				msg.SessionId = id
			} else {
				p.Fault("session", "there is no session %q in this file", s)
			}
		}
		part := p.Has("split_from") || p.Has("taken_from")
		if p.Has("fibre") {
			msg.Fibre = r.fibre(p)
		} else if !part {
			p.Fault("fibre", "is required, for example %q or {wool: 75, silk: 25}", "wool")
		}
		entry := &piece{name: name, msg: msg, fields: p}
		if _, twice := r.pieces[name]; twice {
			p.Fault("name", "%q names two pieces", name)
		}
		r.pieces[name] = entry
		r.order = append(r.order, entry)
		t.Pieces = append(t.Pieces, msg)
	}
}

// fibre reads "wool", or {wool: 75, silk: 25}, with form, finish and lot beside it.
func (r *reader) fibre(p *document.Fields) *typesv1.Fibre {
	out := &typesv1.Fibre{Form: p.Text("form"), Finish: p.Text("finish"), Lot: p.Text("lot")}
	n := p.Child("fibre")
	if n.Kind == document.Scalar {
		out.Composition = []*typesv1.FibrePart{{Fibre: strings.ToLower(strings.TrimSpace(n.Text)), Percent: 100}}
		return out
	}
	for _, k := range p.Map("fibre") {
		v, ok := document.Decimal(strings.TrimSpace(k.Value.Text))
		if !ok || v <= 0 || v > 100 {
			r.faults.Add(k.Line, p.PathOf("fibre"), "%q must be a percentage above 0, at most 100", k.Value.Text)
		}
		out.Composition = append(out.Composition, &typesv1.FibrePart{Fibre: strings.ToLower(k.Name), Percent: v})
	}
	return out
}

func (r *reader) pieceID(f *document.Fields, key, name string) string {
	if p, ok := r.pieces[name]; ok {
		return p.msg.Id
	}
	if ids.Is(name) {
		return name
	}
	f.Fault(key, "there is no piece %q in this file, and it is not a UUID", name)
	return ""
}

func (r *reader) bathID(f *document.Fields) string {
	name := f.Text("bath")
	if id, ok := r.baths[name]; ok {
		return id
	}
	if ids.Is(name) {
		return name
	}
	f.Fault("bath", "there is no bath %q in this file, and it is not a UUID", name)
	return ""
}

// readImmersions gives each piece its positions in the order of the file, unless a position is written.
func (r *reader) readImmersions(f *document.Fields, t *labv1.Trial) {
	for i, n := range f.List("immersions") {
		m := r.faults.Fields(n, fmt.Sprintf("immersions[%d]", i))
		names := m.Texts("pieces")
		if m.Has("piece") == m.Has("pieces") {
			m.Fault("pieces", "give either piece or pieces")
		} else if one := m.Text("piece"); one != "" {
			names = []string{one}
		}
		base := &labv1.Immersion{
			BathId: r.bathID(m), Exhaust: m.Whole("exhaust", 0, 50), Dips: m.Whole("dips", 0, 100),
			IntendedDepth: words.ReadOptional[labv1.Depth](m, "depth"), Entered: r.time(m, "entered"), Left: r.time(m, "left"), Note: m.Text("note"),
		}
		position := m.Whole("position", 1, 10_000)
		for k, name := range names {
			imm, _ := proto.Clone(base).(*labv1.Immersion)
			imm.Id = ids.Derive(r.seed, "immersion", strconv.Itoa(i), strconv.Itoa(k))
			imm.PieceId = r.pieceID(m, "pieces", name)
			p := r.pieces[name]
			switch {
			case position > 0:
				imm.Position = position
			case p != nil:
				imm.Position = p.last + 1
			default:
				m.Fault("position", "is required for a piece that isn't of this file")
			}
			if p != nil {
				p.last = max(p.last, imm.Position)
			}
			r.places[fmt.Sprintf("immersions[%d]", len(t.Immersions))] = fmt.Sprintf("immersion of %q, line %d", name, m.Line)
			t.Immersions = append(t.Immersions, imm)
		}
		m.Close()
	}
}

// origins ties parts to their parents, once all positions are known.
func (r *reader) origins() {
	for _, e := range r.order {
		p := e.fields
		split, taken := p.Text("split_from"), p.Text("taken_from")
		key, parent, kind := "split_from", split, labv1.OriginKind_ORIGIN_KIND_SPLIT
		if taken != "" {
			key, parent, kind = "taken_from", taken, labv1.OriginKind_ORIGIN_KIND_TAKEN
		}
		switch {
		case split != "" && taken != "":
			p.Fault("taken_from", "a part was either split_from or taken_from a piece")
		case parent != "":
			o := &labv1.PieceOrigin{ParentPieceId: r.pieceID(p, key, parent), Kind: kind, AfterPosition: p.Whole("after", 0, 10_000)}
			if own := r.pieces[parent]; !p.Has("after") {
				if own == nil || taken != "" {
					p.Fault("after", "is required: the number of the parent's own immersions that the part has shared; 0 for none")
				} else {
					o.AfterPosition = own.last
				}
			}
			e.msg.Origin = o
		case p.Has("after"):
			p.Fault("after", "belongs to a part: add split_from or taken_from")
		}
		p.Close()
	}
}

func (r *reader) condition(f *document.Fields) *typesv1.ColourCondition {
	text := f.Text("condition")
	if text == "" {
		return nil
	}
	c, err := words.Condition(text)
	if err != nil {
		f.Fault("condition", "%v", err)
	}
	return c
}

func (r *reader) reading(f *document.Fields, id string) *labv1.Reading {
	m := &labv1.Reading{
		Id: id, PieceId: r.pieceID(f, "piece", f.Text("piece")), Raw: &typesv1.RawColour{},
		Specular: words.ReadOptional[typesv1.SpecularMode](f, "specular"), Geometry: f.Text("geometry"), Instrument: f.Text("instrument"),
		State: words.ReadOptional[labv1.PieceState](f, "state"), At: r.time(f, "at"),
	}
	if f.Has("age_days") {
		age := f.Whole("age_days", 0, 100_000)
		m.AgeDays = &age
	}
	condition := r.condition(f)
	switch lab, spectrum := f.Has("lab"), f.Child("spectrum"); {
	case lab == (spectrum != nil):
		f.Fault("lab", "give either lab (with condition) or spectrum")
	case lab:
		v := f.Numbers("lab", document.Decimal)
		if len(v) != 3 {
			f.Fault("lab", "must be three figures: [L, a, b]")
			break
		}
		m.Raw.Value = &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: v[0], A: v[1], B: v[2]}}
		m.Raw.LabCondition = condition
		if condition == nil {
			f.Fault("condition", "is required with lab, for example D65/10")
		}
	default:
		if condition != nil {
			f.Fault("condition", "is not given with a spectrum: colour under any condition can be computed from it")
		}
		s := r.faults.Fields(spectrum, f.PathOf("spectrum"))
		out := &typesv1.Spectrum{}
		out.StartNm, out.StepNm = required(s, "start_nm"), required(s, "step_nm")
		out.Reflectance = s.Numbers("factors", document.Decimal)
		if s.Has("percent") == s.Has("factors") {
			s.Fault("percent", "give the reflectance either as percent or as factors (1 is the white reference)")
		}
		out.Reflectance = append(out.Reflectance, s.Numbers("percent", document.Hundredth)...)
		m.Raw.Value = &typesv1.RawColour_Spectrum{Spectrum: out}
		s.Close()
	}
	return m
}

func required(f *document.Fields, key string) float64 {
	v := f.Number(key)
	if v == nil {
		f.Fault(key, "is required")
		return 0
	}
	return *v
}

// judgement reads two pieces held side by side: {pieces: [a, b], yellower: a, light: north window, blind: true}.
func (r *reader) judgement(f *document.Fields, id string) *labv1.Judgement {
	m := &labv1.Judgement{Id: id, Light: f.Text("light"), Blind: f.Bool("blind"), At: r.time(f, "at")}
	pieces := f.Texts("pieces")
	if len(pieces) != 2 {
		f.Fault("pieces", "must be the two that were held side by side: [a, b]")
		return m
	}
	m.FirstPieceId, m.SecondPieceId = r.pieceID(f, "pieces", pieces[0]), r.pieceID(f, "pieces", pieces[1])
	qualities := []struct {
		key     string
		quality labv1.JudgedQuality
	}{
		{"yellower", labv1.JudgedQuality_JUDGED_QUALITY_YELLOWER}, {"deeper", labv1.JudgedQuality_JUDGED_QUALITY_DEEPER},
		{"duller", labv1.JudgedQuality_JUDGED_QUALITY_DULLER},
	}
	given := 0
	for _, q := range qualities {
		if !f.Has(q.key) {
			continue
		}
		given++
		m.Quality = q.quality
		switch text := f.Text(q.key); text {
		case pieces[0]:
			m.Choice = labv1.JudgedChoice_JUDGED_CHOICE_FIRST
		case pieces[1]:
			m.Choice = labv1.JudgedChoice_JUDGED_CHOICE_SECOND
		case "neither":
			m.Choice = labv1.JudgedChoice_JUDGED_CHOICE_NEITHER
		default:
			f.Fault(q.key, "%q is neither of the two pieces; allowed: %s, %s, neither", text, pieces[0], pieces[1])
		}
	}
	if f.Has("grey_scale") {
		given++
		m.Quality, m.GreyScaleStep = labv1.JudgedQuality_JUDGED_QUALITY_GREY_SCALE, f.Number("grey_scale")
	}
	if given != 1 {
		f.Fault("yellower", "give one of yellower, deeper, duller (with the piece that was, or neither) and grey_scale")
	}
	return m
}
