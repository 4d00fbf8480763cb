package hostile

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// scalar is a good value of a field.
func (m *Maker) scalar(fd protoreflect.FieldDescriptor) protoreflect.Value {
	switch fd.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(m.random.IntN(2) == 0)
	case protoreflect.EnumKind:
		values := fd.Enum().Values()
		return protoreflect.ValueOfEnum(values.Get(min(1+m.random.IntN(max(1, values.Len()-1)), values.Len()-1)).Number())
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return protoreflect.ValueOfInt32(int32(m.integer(fd.Name())))
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return protoreflect.ValueOfInt64(m.integer(fd.Name()))
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		return protoreflect.ValueOfUint32(uint32(m.random.IntN(10)))
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		return protoreflect.ValueOfUint64(uint64(m.random.IntN(10)))
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(m.figure(fd.Name()))
	case protoreflect.FloatKind:
		return protoreflect.ValueOfFloat32(float32(m.figure(fd.Name())))
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes(m.Noise())
	default:
		return protoreflect.ValueOfString(m.text(fd))
	}
}

func (m *Maker) integer(name protoreflect.Name) int64 {
	switch name {
	case "position", "row_number":
		return int64(1 + m.random.IntN(20))
	case "closing_sessions":
		return int64(6 + m.random.IntN(10))
	case "exhaust", "dips":
		return int64(m.random.IntN(3))
	case "revision", "after_revision", "minimum_revision", "after_sequence":
		return int64(m.random.IntN(60))
	default:
		return int64(m.random.IntN(8))
	}
}

func (m *Maker) figure(name protoreflect.Name) float64 {
	switch name {
	case "percent":
		return 100
	case "density_kg_per_l", "liquid_density_kg_per_l":
		return 0.8 + float64(m.random.IntN(10))/10
	case "ph":
		return 4 + float64(m.random.IntN(60))/10
	default:
		return float64(1+m.random.IntN(100)) / 10
	}
}

// maskable are fields that an update may name.
var maskable = map[protoreflect.Name][]string{
	"trial": {"title", "question", "*"}, "bath": {"label", "vessel"}, "water_source": {"kind", "place"}, "experiment": {"title", "tolerance_de00", "instrument"},
}

// filters are good ones, of the lists and of the pool.
var filters = []string{
	`fibre = "wool"`, `material = "weld"`, `state = "begun"`, `title : "yellow"`, `fibre = "wool" AND material = "weld"`, `purpose = "dye"`, `owner = "ada"`,
	`label : "pot"`, `NOT fibre = "silk"`,
}

var words = []string{"weld", "madder", "wool", "skein", "pot", "yellow over blue", "été", "soft water"}

func (m *Maker) text(fd protoreflect.FieldDescriptor) string {
	name := string(fd.Name())
	switch {
	case name == "request_id":
		return m.ID()
	case name == "id" && fd.Parent().Name() == "Member", name == "member_id", name == "to_member", name == "actor":
		if len(m.known.Members) == 0 || name == "id" {
			return "m" + strings.ReplaceAll(m.ID()[19:], "-", "")
		}
		return pick(m, m.known.Members)
	case name == "id" && strings.HasSuffix(string(fd.Parent().FullName()), "Request"), name == "record_id", name == "entry_id":
		return m.reference(kindOf(fd))
	case name == "id":
		id, kind := m.ID(), kindOf(fd)
		m.made[kind] = append(m.made[kind], id)
		return id
	case name == "digest", name == "sha256":
		return strings.Repeat("0a", 32)
	case name == "name" && fd.ContainingMessage().ParentFile().Package() == "commonvat.catalog.v1":
		return "palette-width"
	case name == "module" && fd.ContainingMessage().ParentFile().Package() == "commonvat.catalog.v1":
		return "safety-rules"
	case name == "token_id":
		return pick(m, append([]string{"abcdefghijklmnop"}, m.known.Tokens...))
	case strings.HasSuffix(name, "_id"), strings.HasSuffix(name, "_ids"):
		return m.reference(kindOf(fd))
	case name == "piece", name == "reference_piece", name == "sample_piece", name == "first_piece", name == "second_piece", name == "substrate_piece":
		return pick(m, append([]string{m.reference("piece")}, m.known.Codes...))
	case name == "pack_sha256":
		return strings.Repeat("0b", 32)
	case name == "rule_id":
		return "S0" + m.ID()[34:]
	case name == "field":
		return pick(m, []string{"vent", "ppe", "vessel.material", "material.form", "bath.ph", "container.label_missing"})
	case name == "etag":
		return pick(m, append([]string{`"r1"`}, m.known.Etags...))
	case name == "page_token":
		return pick(m, append([]string{""}, m.known.PageTokens...))
	case name == "filter":
		return pick(m, filters)
	case name == "formula":
		return pick(m, []string{"ciede2000", "cie76", "cie94_textile", "cie94_graphic_arts", "cmc"})
	case name == "second_depth":
		return pick(m, []string{"", "pale", "medium", "deep"})
	case name == "record_kind":
		return pick(m, []string{"trial", "bath", "water", "experiment"})
	case name == "fibre":
		return pick(m, []string{"wool", "silk", "cotton", "linen"})
	case name == "material", name == "first_dye", name == "second_dye", name == "blank_of":
		return pick(m, []string{"weld", "madder", "indigo", "alum"})
	case strings.HasSuffix(name, "_key"), name == "source":
		return pick(m, []string{"a", "b", "row " + m.ID()[28:]})
	case name == "name": // of a water source, of which each is once
		return "spring " + m.ID()[24:]
	default:
		return pick(m, words)
	}
}

// set gives a field by its name a value; a name that isn't there is passed over.
func set(message protoreflect.Message, name protoreflect.Name, value any) {
	if fd := message.Descriptor().Fields().ByName(name); fd != nil {
		message.Set(fd, protoreflect.ValueOf(value))
	}
}

func field(message protoreflect.Message, name protoreflect.Name) protoreflect.FieldDescriptor {
	return message.Descriptor().Fields().ByName(name)
}

// specials make messages whose fields hang together.
var specials = map[protoreflect.FullName]func(*Maker, protoreflect.Message){}

// settled put right what hangs together once the fields are filled.
var settled = map[protoreflect.FullName]func(*Maker, protoreflect.Message){}

func init() {
	specials["google.protobuf.Timestamp"] = func(m *Maker, t protoreflect.Message) {
		set(t, "seconds", int64(1_700_000_000+m.random.IntN(10_000_000)))
	}
	specials["google.protobuf.FieldMask"] = func(m *Maker, mask protoreflect.Message) {
		mask.Mutable(field(mask, "paths")).List().Append(protoreflect.ValueOfString(pick(m, []string{"title", "label", "name", "*"})))
	}
	specials["commonvat.types.v1.Amount"] = func(m *Maker, a protoreflect.Message) {
		set(a, "knowledge", protoreflect.EnumNumber(1)) // measured
		set(a, "value", float64(1+m.random.IntN(50))/10)
		set(a, "unit", protoreflect.EnumNumber(1)) // grams
	}
	specials["commonvat.types.v1.RawColour"] = func(m *Maker, raw protoreflect.Message) {
		if m.random.IntN(3) == 0 {
			spectrum := raw.Mutable(field(raw, "spectrum")).Message()
			set(spectrum, "start_nm", float64(400))
			set(spectrum, "step_nm", float64(10))
			values := spectrum.Mutable(field(spectrum, "reflectance")).List()
			for range 31 {
				values.Append(protoreflect.ValueOfFloat64(m.random.Float64()))
			}
			return
		}
		lab := raw.Mutable(field(raw, "lab")).Message()
		set(lab, "l", 100*m.random.Float64())
		set(lab, "a", 80*m.random.Float64()-40)
		set(lab, "b", 80*m.random.Float64()-40)
		m.fill(raw.Mutable(field(raw, "lab_condition")).Message(), 5)
	}
	settled["commonvat.types.v1.Sharing"] = func(m *Maker, s protoreflect.Message) {
		set(s, "level", protoreflect.EnumNumber(1+m.random.IntN(3)))
		set(s, "licence", "CC-BY-4.0")
	}
	abandoned := func(m *Maker, t protoreflect.Message) {
		state := protoreflect.EnumNumber(1 + m.random.IntN(3))
		set(t, "state", state)
		t.Clear(field(t, "abandoned_reason"))
	}
	settled["commonvat.lab.v1.Trial"] = abandoned
	settled["commonvat.lab.v1.SetTrialStateRequest"] = abandoned
	settled["commonvat.lab.v1.Piece"] = func(_ *Maker, p protoreflect.Message) {
		if p.Has(field(p, "origin")) { // a part's fibre is its parent's
			p.Clear(field(p, "fibre"))
		}
	}
	settled["commonvat.lab.v1.Bath"] = func(_ *Maker, b protoreflect.Message) {
		b.Clear(field(b, "liquor"))
		for _, name := range []protoreflect.Name{"contents_not_stated", "exhaust_number_not_stated", "exhaust_not_stated"} {
			b.Clear(field(b, name))
		}
	}
	settled["commonvat.lab.v1.ImportBath"] = func(_ *Maker, b protoreflect.Message) {
		for _, name := range []protoreflect.Name{"contents_not_stated", "exhaust_number_not_stated", "exhaust_not_stated", "water_source_id"} {
			b.Clear(field(b, name))
		}
	}
	settled["commonvat.lab.v1.Immersion"] = func(_ *Maker, i protoreflect.Message) { i.Clear(field(i, "left")) }
	settled["commonvat.lab.v1.Look"] = func(m *Maker, l protoreflect.Message) {
		l.Clear(field(l, pick(m, []protoreflect.Name{"piece_id", "bath_id"})))
	}
	settled["commonvat.lab.v1.Judgement"] = func(m *Maker, j protoreflect.Message) {
		if j.Get(field(j, "second_piece_id")).String() == j.Get(field(j, "first_piece_id")).String() {
			set(j, "second_piece_id", m.reference("second piece"))
		}
		if m.random.IntN(2) == 0 {
			set(j, "quality", protoreflect.EnumNumber(1+m.random.IntN(3)))
			set(j, "choice", protoreflect.EnumNumber(1+m.random.IntN(3)))
			j.Clear(field(j, "grey_scale_step"))
			return
		}
		set(j, "quality", protoreflect.EnumNumber(4))
		j.Clear(field(j, "choice"))
		set(j, "grey_scale_step", 1+float64(m.random.IntN(9))/2)
	}
	settled["commonvat.pool.v1.ComparePiecesRequest"] = func(m *Maker, p protoreflect.Message) {
		for _, k := range []protoreflect.Name{"k_l", "k_c", "k_h"} {
			set(p, k, pick(m, []float64{0, 1}))
			if p.Get(field(p, "formula")).String() == "ciede2000" {
				set(p, k, pick(m, []float64{0, 0.1, 2, 10}))
			}
		}
	}
	settled["commonvat.pool.v1.PredictOverdyeRequest"] = func(m *Maker, p protoreflect.Message) {
		set(p, "radius_share", pick(m, []float64{0, 0.5, 0.9, 0.95}))
		beside := []protoreflect.Name{"first_colour", "first_dye", "fibre", "mordant"}
		if m.random.IntN(2) == 0 {
			beside = []protoreflect.Name{"first_piece"}
			m.fill(p.Mutable(field(p, "first_colour")).Message(), 5)
			set(p, "first_dye", "weld")
			set(p, "fibre", "wool")
		} else if !p.Has(field(p, "first_piece")) {
			set(p, "first_piece", m.reference("piece"))
		}
		for _, name := range beside {
			p.Clear(field(p, name))
		}
	}
	// An update names a record that is there.
	settled["commonvat.lab.v1.Experiment"] = func(m *Maker, e protoreflect.Message) { // one question, and what it needs
		for _, name := range []protoreflect.Name{"asks", "water_source_ids", "values", "water_figure"} {
			e.Clear(field(e, name))
		}
		if m.random.IntN(3) == 0 {
			for _, name := range []protoreflect.Name{"first_dye", "second_dye", "arms"} {
				e.Clear(field(e, name))
			}
			set(e, "asks", protoreflect.EnumNumber(4)) // mordants
			for _, value := range []string{"alum", "none"} {
				e.Mutable(field(e, "values")).List().Append(protoreflect.ValueOfString(value))
			}
			return
		}
		set(e, "first_dye", "madder")
		set(e, "second_dye", "woad")
		arms := e.Mutable(field(e, "arms")).List()
		arms.Truncate(0)
		for _, arm := range []protoreflect.Name{"EXPERIMENT_ARM_A_THEN_B", "EXPERIMENT_ARM_B_THEN_A"} {
			arms.Append(protoreflect.ValueOfEnum(field(e, "arms").Enum().Values().ByName(arm).Number()))
		}
	}
	settled["commonvat.catalog.v1.RunQuestion"] = func(_ *Maker, q protoreflect.Message) {
		if q.Has(field(q, "experiment_id")) { // an experiment is asked in one way
			set(q, "group_by", protoreflect.EnumNumber(1))
			q.Clear(field(q, "filter"))
		}
	}
	settled["commonvat.catalog.v1.CreateRunRequest"] = func(_ *Maker, r protoreflect.Message) { // each module once
		if modules := r.Mutable(field(r, "modules")).List(); modules.Len() > 1 {
			modules.Truncate(1)
		}
	}
	for message, inner := range map[string]protoreflect.Name{
		"UpdateTrialRequest": "trial", "UpdateBathRequest": "bath", "UpdateWaterSourceRequest": "water_source", "UpdateExperimentRequest": "experiment",
	} {
		settled[protoreflect.FullName("commonvat.lab.v1."+message)] = func(m *Maker, u protoreflect.Message) {
			if ids := m.known.IDs[string(inner)]; len(ids) > 0 {
				set(u.Mutable(field(u, inner)).Message(), "id", pick(m, ids))
			}
			mask := u.Mutable(field(u, "update_mask")).Message()
			paths := mask.Mutable(field(mask, "paths")).List()
			paths.Truncate(0)
			paths.Append(protoreflect.ValueOfString(pick(m, maskable[inner])))
			m.etag(u)
		}
	}
	for _, kind := range []string{"Trial", "Bath", "WaterSource", "Experiment"} {
		for _, verb := range []string{"Delete", "Undelete"} {
			settled[protoreflect.FullName("commonvat.lab.v1."+verb+kind+"Request")] = (*Maker).etag
		}
	}
}

// etag gives a request the etag of the record it names, where that is known.
func (m *Maker) etag(request protoreflect.Message) {
	id := ""
	request.Range(func(fd protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch name := string(fd.Name()); {
		case name == "request_id":
		case fd.Kind() == protoreflect.StringKind && strings.HasSuffix(name, "_id"):
			id = value.String()
		case fd.Kind() == protoreflect.MessageKind && !fd.IsList() && field(value.Message(), "id") != nil:
			id = value.Message().Get(field(value.Message(), "id")).String()
		}
		return true
	})
	if m.known.EtagOf != nil {
		if etag := m.known.EtagOf(id); etag != "" && m.random.IntN(8) > 0 {
			set(request, "etag", etag)
			return
		}
	}
	set(request, "etag", pick(m, append([]string{`"r1"`}, m.known.Etags...)))
}
