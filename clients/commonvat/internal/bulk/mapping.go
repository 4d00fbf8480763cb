// Package bulk turns CSV tables of other people's readings into rows for
// import, by a mapping file that says what each column means. It decides nothing that the mapping doesn't
// say: a blank cell is "not stated" unless the mapping says otherwise. The
// mapping's format is described in README.md of clients/commonvat.
package bulk

import (
	"fmt"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// Mapping says what the columns of a table mean.
type Mapping struct {
	// Source is the name of the source, part of every row's key.
	Source       string
	delimiter    rune
	decimalComma bool
	rowKey       string
	piece        *pieceKey
	session      *value
	label        *value
	fibres       []fibre // the last has no condition
	steps        []step
	reading      reading
	join         *join
}

type join struct{ column, with string }

type pieceKey struct {
	columns  []string
	when     []condition
	eachOnce string
}

// condition is a test of one cell.
type condition struct {
	column string
	blank  *bool
	oneOf  []string
	holds  string // the cell contains it
}

// value is a constant, or a column with words that stand for others.
type value struct {
	constant string
	column   string
	words    map[string]string
	keep     bool // words that aren't listed are kept as they are
}

type fibre struct {
	when               []condition
	composition        []*typesv1.FibrePart
	form, finish, lot  *value
	compositionMissing bool
}

type step struct {
	name         string
	when, unless []condition
	purposes     []labv1.BathPurpose
	contents     []content
	fixed        []material
	notStated    bool
	expects      labv1.AdditionRole
	exhaust      *exhaust
	dips         string
	depth        *value
	bathKey      []string
	waterSource  string
}

type material struct {
	name string
	role labv1.AdditionRole
}

// What a blank or unlisted cell means.
const (
	meansNotStated = "not stated"
	meansNone      = "none"
	meansFresh     = "fresh"
	meansUnknownNo = "number not stated"
	meansRefuse    = "refuse"
	meansMaterial  = "material"
)

type content struct {
	column   string
	blank    string
	split    string
	words    map[string]material
	role     labv1.AdditionRole
	unlisted string
	note     string // column
	noteUnit string
}

type exhaust struct {
	column string
	blank  string
	words  map[string]string
}

type reading struct {
	spectrum   *spectrum
	lab        []string
	condition  *typesv1.ColourCondition
	specular   *value
	geometry   *value
	instrument *value
	state      *value
	ageDays    string
	at         string
	utcOffset  string
}

type spectrum struct {
	columns  []string
	from, by float64
	percent  bool
}

// ParseMapping reads a mapping file. Errors are *document.Error.
func ParseMapping(data []byte) (*Mapping, error) {
	root, err := document.Parse(data)
	if err != nil {
		return nil, err
	}
	p := &parser{}
	f := p.faults.Fields(root, "")
	m := &Mapping{Source: f.Text("source"), delimiter: ',', decimalComma: f.Bool("decimal_comma"), rowKey: f.Text("row_key")}
	if m.Source == "" || len([]rune(m.Source)) > 80 {
		f.Fault("source", "is required, 1 to 80 characters")
	}
	if m.rowKey == "" {
		f.Fault("row_key", "is required: the column that names each row")
	}
	if d := f.Child("delimiter"); d != nil {
		switch d.Text {
		case ",", ";", "\t":
			m.delimiter = rune(d.Text[0])
		case "tab":
			m.delimiter = '\t'
		default:
			f.Fault("delimiter", "%q must be a comma, a semicolon or tab", d.Text)
		}
	}
	if n := f.Child("join"); n != nil {
		j := p.faults.Fields(n, "join")
		m.join = &join{column: j.Text("column"), with: j.Text("with")}
		if m.join.column == "" || m.join.with == "" {
			j.Fault("column", "column (of this table) and with (of the other) are both required")
		}
		j.Close()
	}
	if n := f.Child("piece_key"); n != nil {
		k := p.faults.Fields(n, "piece_key")
		m.piece = &pieceKey{columns: k.Texts("columns"), when: p.conditions(k, "when"), eachOnce: k.Text("each_once")}
		if len(m.piece.columns) == 0 {
			k.Fault("columns", "is required: the columns that together name one piece")
		}
		k.Close()
	}
	m.label, m.session = p.value(f, "label"), p.value(f, "session_key")
	m.fibres = p.fibres(f)
	for i, n := range f.List("baths") {
		m.steps = append(m.steps, p.step(p.faults.Fields(n, fmt.Sprintf("baths[%d]", i))))
	}
	if len(m.steps) > 50 {
		f.Fault("baths", "has %d steps; allowed: at most 50", len(m.steps))
	}
	n := f.Child("reading")
	if n == nil {
		f.Fault("reading", "is required")
	} else {
		m.reading = p.reading(p.faults.Fields(n, "reading"))
	}
	f.Close()
	if err := p.faults.Err(); err != nil {
		return nil, err
	}
	return m, nil
}

type parser struct{ faults document.Faults }

func (p *parser) conditions(f *document.Fields, key string) []condition {
	n := f.Child(key)
	if n == nil {
		return nil
	}
	list := []*document.Node{n}
	if n.Kind == document.Sequence {
		list = n.Items
	}
	var out []condition
	for _, item := range list {
		c := p.faults.Fields(item, f.PathOf(key))
		one := condition{column: c.Text("column"), oneOf: c.Texts("one_of"), holds: c.Text("contains")}
		tests := 0
		if c.Has("blank") {
			b := c.Bool("blank")
			one.blank = &b
			tests++
		}
		if c.Has("equals") {
			one.oneOf = append(one.oneOf, c.Text("equals"))
			tests++
		}
		if c.Has("one_of") {
			tests++
		}
		if one.holds != "" {
			tests++
		}
		if one.column == "" || tests != 1 {
			c.Fault("column", "a condition has a column and one of blank, equals, one_of, contains")
		}
		c.Close()
		out = append(out, one)
	}
	return out
}

func (p *parser) value(f *document.Fields, key string) *value {
	n := f.Child(key)
	if n == nil {
		return nil
	}
	if n.Kind == document.Scalar {
		return &value{constant: f.Text(key)}
	}
	v := p.faults.Fields(n, f.PathOf(key))
	out := &value{column: v.Text("column"), keep: true}
	if out.column == "" {
		v.Fault("column", "is required")
	}
	if v.Has("words") {
		out.words, out.keep = map[string]string{}, false
		for _, w := range v.Map("words") {
			if w.Value.Kind != document.Scalar {
				v.Fault("words", "%q must stand for one word", w.Name)
			}
			out.words[w.Name] = strings.TrimSpace(w.Value.Text)
		}
	}
	switch u := v.Text("unlisted"); u {
	case "", meansRefuse:
	case "keep":
		out.keep = true
	default:
		v.Fault("unlisted", "%q must be keep or refuse", u)
	}
	v.Close()
	return out
}

func (p *parser) fibres(f *document.Fields) []fibre {
	n := f.Child("fibre")
	if n == nil {
		f.Fault("fibre", "is required")
		return nil
	}
	all := p.faults.Fields(n, "fibre")
	base := p.fibre(all)
	if base.compositionMissing {
		all.Fault("composition", "is required, for example {wool: 100}")
	}
	var out []fibre
	for i, c := range all.List("cases") {
		cf := p.faults.Fields(c, fmt.Sprintf("fibre.cases[%d]", i))
		one := p.fibre(cf)
		if one.when = p.conditions(cf, "when"); len(one.when) == 0 {
			cf.Fault("when", "is required")
		}
		if one.compositionMissing {
			one.composition = base.composition
		}
		for mine, general := range map[**value]*value{&one.form: base.form, &one.finish: base.finish, &one.lot: base.lot} {
			if *mine == nil {
				*mine = general
			}
		}
		cf.Close()
		out = append(out, one)
	}
	all.Close()
	return append(out, base)
}

func (p *parser) fibre(f *document.Fields) fibre {
	out := fibre{form: p.value(f, "form"), finish: p.value(f, "finish"), lot: p.value(f, "lot")}
	for _, k := range f.Map("composition") {
		v, ok := document.Decimal(strings.TrimSpace(k.Value.Text))
		if !ok || v <= 0 || v > 100 {
			f.Fault("composition", "%q must be a percentage above 0, at most 100", k.Value.Text)
		}
		out.composition = append(out.composition, &typesv1.FibrePart{Fibre: k.Name, Percent: v})
	}
	out.compositionMissing = len(out.composition) == 0
	return out
}

func (p *parser) step(f *document.Fields) step {
	s := step{
		name: f.Text("name"), when: p.conditions(f, "when"), unless: p.conditions(f, "unless"),
		notStated: f.Bool("contents_not_stated"), dips: f.Text("dips"), depth: p.value(f, "depth"),
		bathKey: f.Texts("bath_key"), waterSource: f.Text("water_source"),
	}
	if s.waterSource != "" && !ids.Is(s.waterSource) {
		f.Fault("water_source", "%q is not the UUID of a water source (see: commonvat water list)", s.waterSource)
	}
	for _, t := range f.Texts("purpose") {
		s.purposes = append(s.purposes, words.Read[labv1.BathPurpose](f, "purpose", t))
	}
	if len(s.purposes) == 0 && !s.notStated {
		f.Fault("purpose", "is required unless contents_not_stated is true")
	}
	if e := f.Text("expects"); e != "" {
		s.expects = words.Read[labv1.AdditionRole](f, "expects", e)
	}
	for i, n := range f.List("contents") {
		s.contents = append(s.contents, p.content(p.faults.Fields(n, fmt.Sprintf("%s[%d]", f.PathOf("contents"), i))))
	}
	for i, n := range f.List("materials") {
		m := p.faults.Fields(n, fmt.Sprintf("%s[%d]", f.PathOf("materials"), i))
		s.fixed = append(s.fixed, p.material(m))
		m.Close()
	}
	if n := f.Child("exhaust"); n != nil && n.Kind == document.Scalar {
		s.exhaust = &exhaust{blank: p.oneOf(f, "exhaust", meansNotStated, meansFresh)}
	} else if n == nil {
		f.Fault("exhaust", "must be said: %s, %s, or a column that tells", meansFresh, meansNotStated)
	} else {
		e := p.faults.Fields(n, f.PathOf("exhaust"))
		s.exhaust = &exhaust{column: e.Text("column"), blank: p.oneOf(e, "blank", meansNotStated, meansFresh, meansRefuse), words: map[string]string{}}
		if s.exhaust.column == "" {
			e.Fault("column", "is required")
		}
		for _, w := range e.Map("words") {
			text := strings.TrimSpace(w.Value.Text)
			if !slices.Contains([]string{meansNotStated, meansFresh, meansUnknownNo}, text) {
				e.Fault("words", "%q must stand for %q, %q or %q", w.Name, meansFresh, meansUnknownNo, meansNotStated)
			}
			s.exhaust.words[w.Name] = text
		}
		e.Close()
	}
	f.Close()
	return s
}

func (p *parser) oneOf(f *document.Fields, key string, allowed ...string) string {
	text := f.Text(key)
	if !slices.Contains(allowed, text) {
		f.Fault(key, "must be said, as one of: %s", strings.Join(allowed, ", "))
	}
	return text
}

func (p *parser) material(f *document.Fields) material {
	m := material{name: f.Text("material"), role: words.Read[labv1.AdditionRole](f, "role", f.Text("role"))}
	if m.name == "" {
		f.Fault("material", "is required")
	}
	return m
}

func (p *parser) content(f *document.Fields) content {
	c := content{column: f.Text("column"), blank: p.oneOf(f, "blank", meansNotStated, meansNone, meansRefuse), note: f.Text("note"), noteUnit: f.Text("note_unit")}
	if c.column == "" {
		f.Fault("column", "is required")
	}
	if n := f.Child("split"); n != nil {
		c.split = n.Text // not trimmed: " AND " differs from "AND"
	}
	if r := f.Text("role"); r != "" {
		c.role = words.Read[labv1.AdditionRole](f, "role", r)
	}
	if words := f.Map("words"); words != nil {
		c.words = map[string]material{}
		for _, w := range words {
			m := p.faults.Fields(w.Value, f.PathOf("words")+"."+w.Name)
			c.words[w.Name] = p.material(m)
			m.Close()
		}
	}
	c.unlisted = meansRefuse
	if f.Has("unlisted") {
		c.unlisted = p.oneOf(f, "unlisted", meansMaterial, meansRefuse)
	}
	if c.unlisted == meansMaterial && c.role == 0 {
		f.Fault("role", "is required with unlisted: material")
	}
	f.Close()
	return c
}

func (p *parser) reading(f *document.Fields) reading {
	r := reading{
		specular: p.value(f, "specular"), geometry: p.value(f, "geometry"), instrument: p.value(f, "instrument"), state: p.value(f, "state"),
		ageDays: f.Text("age_days"), at: f.Text("at"), utcOffset: f.Text("utc_offset"),
	}
	if r.utcOffset != "" {
		if _, err := quantity.Offset(r.utcOffset); err != nil {
			f.Fault("utc_offset", "%v", err)
		}
	}
	if n := f.Child("spectrum"); n != nil {
		r.spectrum = p.spectrum(p.faults.Fields(n, "reading.spectrum"))
	}
	if r.lab = f.Texts("lab"); f.Has("lab") {
		if len(r.lab) != 3 {
			f.Fault("lab", "must name three columns: [L, a, b]")
		}
		c, err := words.Condition(f.Text("condition"))
		if err != nil {
			f.Fault("condition", "is required with lab: %v", err)
		}
		r.condition = c
	}
	if (r.spectrum == nil) == (r.lab == nil) {
		f.Fault("spectrum", "give either spectrum or lab")
	}
	f.Close()
	return r
}

func (p *parser) spectrum(f *document.Fields) *spectrum {
	s := &spectrum{percent: p.oneOf(f, "scale", "percent", "factor") == "percent"}
	pattern := f.Text("columns")
	from, to, step := f.Number("from_nm"), f.Number("to_nm"), f.Number("step_nm")
	f.Close()
	if strings.Count(pattern, "{nm}") != 1 {
		f.Fault("columns", "%q must have {nm} in the place of the wavelength, for example R{nm}", pattern)
		return s
	}
	if from == nil || to == nil || step == nil || *from < 300 || *to > 830 || *step < 1 || *to <= *from {
		f.Fault("from_nm", "from_nm, to_nm and step_nm are required, within 300 to 830, the step at least 1")
		return s
	}
	s.from, s.by = *from, *step
	for i := 0; *from+float64(i)**step <= *to+1e-9; i++ {
		s.columns = append(s.columns, strings.Replace(pattern, "{nm}", fmt.Sprintf("%g", *from+float64(i)**step), 1))
	}
	return s
}
