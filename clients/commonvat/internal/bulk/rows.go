package bulk

import (
	"errors"
	"fmt"
	"sort"
	"strconv"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/document"
	"github.com/commonvat/commonvat/clients/commonvat/internal/quantity"
	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

// Rows is a table turned into rows for import.
type Rows struct {
	Rows   []*labv1.ImportRow
	Faults []Fault // rows that can't be imported, in order of lines
}

// Read turns a table into rows. joined is the second table, nil when the mapping has no join.
// Faults of single rows are reported in the result; an error means that the table as a whole doesn't fit the mapping.
func (m *Mapping) Read(data, joined []byte) (*Rows, error) {
	t, err := readTable(data, m.delimiter)
	if err != nil {
		return nil, err
	}
	switch {
	case m.join != nil && joined == nil:
		return nil, errors.New("the mapping joins a second table, and none was given: name it with --join")
	case m.join == nil && joined != nil:
		return nil, errors.New("a second table was given, and the mapping has no join")
	case m.join != nil:
		other, err := readTable(joined, m.delimiter)
		if err != nil {
			return nil, fmt.Errorf("joined table: %w", err)
		}
		if err := t.merge(other, m.join); err != nil {
			return nil, err
		}
	}
	for _, c := range m.columnsUsed() {
		if _, ok := t.columns[c]; !ok {
			return nil, fmt.Errorf("the mapping uses column %q, which the table doesn't have", c)
		}
	}
	out := &Rows{Faults: t.faults}
	keys, once := map[string]int{}, map[string]int{}
	for _, r := range t.records {
		row := &rowReader{m: m, t: t, cells: r.cells}
		msg, err := row.read(r.line)
		key := row.cell(m.rowKey)
		if err == nil {
			err = unique(keys, key, r.line, m.rowKey)
		}
		if err == nil && m.piece != nil && m.piece.eachOnce != "" && msg.PieceKey != "" {
			err = unique(once, msg.PieceKey+"\x00"+row.cell(m.piece.eachOnce), r.line, m.piece.eachOnce+" of one piece")
		}
		if err != nil {
			out.Faults = append(out.Faults, Fault{Line: r.line, Key: key, Reason: err.Error()})
			continue
		}
		out.Rows = append(out.Rows, msg)
	}
	sort.SliceStable(out.Faults, func(i, j int) bool { return out.Faults[i].Line < out.Faults[j].Line })
	return out, nil
}

func unique(seen map[string]int, key string, line int, what string) error {
	if before, twice := seen[key]; twice {
		return fmt.Errorf("%s: the same as in line %d", what, before)
	}
	seen[key] = line
	return nil
}

func (m *Mapping) columnsUsed() []string {
	var out []string
	add := func(names ...string) {
		for _, n := range names {
			if n != "" {
				out = append(out, n)
			}
		}
	}
	values := func(vs ...*value) {
		for _, v := range vs {
			if v != nil {
				add(v.column)
			}
		}
	}
	tests := func(cs []condition) {
		for _, c := range cs {
			add(c.column)
		}
	}
	add(m.rowKey, m.reading.ageDays, m.reading.at)
	if m.piece != nil {
		add(m.piece.columns...)
		add(m.piece.eachOnce)
		tests(m.piece.when)
	}
	values(m.label, m.session, m.reading.specular, m.reading.geometry, m.reading.instrument, m.reading.state)
	for _, f := range m.fibres {
		tests(f.when)
		values(f.form, f.finish, f.lot)
	}
	for _, s := range m.steps {
		tests(s.when)
		tests(s.unless)
		add(s.dips)
		add(s.bathKey...)
		values(s.depth)
		for _, c := range s.contents {
			add(c.column, c.note)
		}
		if s.exhaust != nil {
			add(s.exhaust.column) // "" for a constant
		}
	}
	add(m.reading.lab...)
	if m.reading.spectrum != nil {
		add(m.reading.spectrum.columns...)
	}
	return out
}

type rowReader struct {
	m     *Mapping
	t     *table
	cells []string
}

func (r *rowReader) cell(column string) string {
	if i, ok := r.t.columns[column]; ok && i < len(r.cells) {
		return r.cells[i]
	}
	return ""
}

func (r *rowReader) all(cs []condition) bool {
	for _, c := range cs {
		if !r.one(c) {
			return false
		}
	}
	return true
}

func (r *rowReader) one(c condition) bool {
	text := r.cell(c.column)
	switch {
	case c.blank != nil:
		return (text == "") == *c.blank
	case c.holds != "":
		return strings.Contains(strings.ToLower(text), strings.ToLower(c.holds))
	}
	for _, w := range c.oneOf {
		if text == w {
			return true
		}
	}
	return false
}

func (r *rowReader) value(v *value) (string, error) {
	if v == nil {
		return "", nil
	}
	if v.column == "" {
		return v.constant, nil
	}
	text := r.cell(v.column)
	if w, ok := v.words[text]; ok {
		return w, nil
	}
	if text != "" && !v.keep {
		return "", fmt.Errorf("%s: %q is not in the mapping's words", v.column, text)
	}
	return text, nil
}

func (r *rowReader) number(column string, read func(string) (float64, bool)) (float64, error) {
	text := r.cell(column)
	plain := text
	if r.m.decimalComma {
		if strings.Contains(text, ".") {
			return 0, fmt.Errorf("%s: %q has a point, and the mapping says decimal_comma", column, text)
		}
		plain = strings.Replace(text, ",", ".", 1)
	}
	v, ok := read(plain)
	if !ok {
		return 0, fmt.Errorf("%s: %q is not a decimal number", column, text)
	}
	return v, nil
}

func (r *rowReader) read(line int) (*labv1.ImportRow, error) {
	m := r.m
	row := &labv1.ImportRow{RowNumber: int32(min(line, 1<<30)), RowKey: r.cell(m.rowKey)}
	if n := len([]rune(row.RowKey)); n < 1 || n > 120 {
		return nil, fmt.Errorf("%s: the row's key has %d characters; allowed: 1 to 120", m.rowKey, n)
	}
	if m.piece != nil && r.all(m.piece.when) {
		row.PieceKey = r.key(m.piece.columns)
		if n := len([]rune(row.PieceKey)); n > 120 {
			return nil, fmt.Errorf("piece_key: %d characters; allowed: at most 120", n)
		}
	}
	var err error
	if row.SessionKey, err = r.value(m.session); err != nil {
		return nil, err
	}
	if row.Label, err = r.value(m.label); err != nil {
		return nil, err
	}
	if label := []rune(row.Label); len(label) > 80 {
		row.Label = string(label[:77]) + "..."
	}
	if row.Fibre, err = r.fibre(); err != nil {
		return nil, err
	}
	for i := range m.steps {
		b, err := r.step(&m.steps[i])
		if err != nil {
			return nil, err
		}
		if b != nil {
			row.Baths = append(row.Baths, b)
		}
	}
	row.Reading, err = r.reading()
	return row, err
}

func (r *rowReader) fibre() (*typesv1.Fibre, error) {
	for _, f := range r.m.fibres {
		if !r.all(f.when) {
			continue
		}
		out := &typesv1.Fibre{Composition: f.composition}
		var err error
		if out.Form, err = r.value(f.form); err != nil {
			return nil, err
		}
		if out.Finish, err = r.value(f.finish); err != nil {
			return nil, err
		}
		out.Lot, err = r.value(f.lot)
		return out, err
	}
	return nil, errors.New("no fibre")
}

func (r *rowReader) step(s *step) (*labv1.ImportBath, error) {
	if !r.all(s.when) {
		return nil, nil
	}
	for _, c := range s.unless {
		if r.one(c) {
			return nil, nil
		}
	}
	b := &labv1.ImportBath{Purposes: s.purposes, ContentsNotStated: s.notStated, WaterSourceId: s.waterSource}
	for _, m := range s.fixed {
		b.Additions = append(b.Additions, addition(m, ""))
	}
	for _, c := range s.contents {
		if err := r.contents(b, c); err != nil {
			return nil, err
		}
	}
	if s.expects != 0 && !b.ContentsNotStated {
		found := false
		for _, a := range b.Additions {
			found = found || a.Role == s.expects
		}
		b.ContentsNotStated = !found && len(b.Additions) > 0
	}
	if len(b.Additions) == 0 && !b.ContentsNotStated {
		return nil, nil // the source says that this step was left out
	}
	if err := r.exhaust(b, s.exhaust); err != nil {
		return nil, err
	}
	if s.dips != "" && r.cell(s.dips) != "" {
		n, err := strconv.ParseInt(r.cell(s.dips), 10, 32)
		if err != nil || n < 0 || n > 100 {
			return nil, fmt.Errorf("%s: %q must be a whole number from 0 to 100", s.dips, r.cell(s.dips))
		}
		b.Dips = int32(n)
	}
	var err error
	if b.IntendedDepth, err = stated[labv1.Depth](r, s.depth); err != nil {
		return nil, err
	}
	b.BathKey = r.key(s.bathKey)
	if len([]rune(b.BathKey)) > 80 {
		return nil, errors.New("bath_key: more than 80 characters")
	}
	return b, nil
}

// key joins the cells of columns. It is empty when any of them is: a blank can't tie rows together.
func (r *rowReader) key(columns []string) string {
	parts := make([]string, len(columns))
	for i, c := range columns {
		if parts[i] = r.cell(c); parts[i] == "" {
			return ""
		}
	}
	return strings.Join(parts, " | ")
}

func addition(m material, note string) *labv1.Addition {
	return &labv1.Addition{Material: m.name, Role: m.role,
		Amount: &typesv1.Amount{Knowledge: typesv1.AmountKnowledge_AMOUNT_KNOWLEDGE_NOT_KNOWN, Note: note}}
}

func (r *rowReader) contents(b *labv1.ImportBath, c content) error {
	text := r.cell(c.column)
	if text == "" {
		switch c.blank {
		case meansNotStated:
			b.ContentsNotStated = true
		case meansRefuse:
			return fmt.Errorf("%s: is blank", c.column)
		}
		return nil
	}
	parts, notes := []string{text}, []string{r.cell(c.note)}
	if c.split != "" {
		parts = strings.Split(text, c.split)
		if split := strings.Split(notes[0], c.split); len(split) == len(parts) {
			notes = split
		}
	}
	for i, part := range parts {
		part = strings.TrimSpace(part)
		m, listed := c.words[part]
		switch {
		case listed:
		case c.unlisted == meansMaterial && part != "":
			m = material{name: strings.ToLower(part), role: c.role}
			if len([]rune(m.name)) > 60 {
				return fmt.Errorf("%s: %q has more than 60 characters", c.column, part)
			}
		default:
			return fmt.Errorf("%s: %q is not in the mapping's words", c.column, part)
		}
		note := notes[min(i, len(notes)-1)]
		if note != "" && c.noteUnit != "" {
			note += " " + c.noteUnit
		}
		b.Additions = append(b.Additions, addition(m, note))
	}
	return nil
}

func (r *rowReader) exhaust(b *labv1.ImportBath, e *exhaust) error {
	text := ""
	if e.column != "" {
		text = r.cell(e.column)
	}
	means := e.words[text]
	if text == "" {
		means = e.blank
	}
	switch means {
	case meansFresh:
	case meansNotStated:
		b.ExhaustNotStated = true
	case meansUnknownNo:
		b.ExhaustNumberNotStated, b.Exhaust = true, 1
	case meansRefuse:
		return fmt.Errorf("%s: is blank", e.column)
	default:
		n, err := strconv.ParseInt(text, 10, 32)
		if err != nil || n < 0 || n > 50 {
			return fmt.Errorf("%s: %q must be a whole number from 0 to 50, or one of the mapping's words", e.column, text)
		}
		b.Exhaust = int32(n)
	}
	return nil
}

func stated[E interface {
	~int32
	enumeration
}](r *rowReader, v *value) (E, error) {
	var none E
	text, err := r.value(v)
	if err != nil || text == "" || text == words.NotStated {
		return none, err
	}
	out, err := words.Parse[E](text)
	if err != nil && v.column != "" {
		err = fmt.Errorf("%s: %w", v.column, err)
	}
	return out, err
}

func (r *rowReader) reading() (*labv1.Reading, error) {
	m := r.m.reading
	out := &labv1.Reading{Raw: &typesv1.RawColour{}}
	var err error
	if s := m.spectrum; s != nil {
		read := document.Decimal
		if s.percent {
			read = document.Hundredth
		}
		curve := &typesv1.Spectrum{StartNm: s.from, StepNm: s.by}
		for _, c := range s.columns {
			v, err := r.number(c, read)
			if err != nil {
				return nil, err
			}
			if v < 0 || v > 2 {
				return nil, fmt.Errorf("%s: reflectance %g is out of range: 0 to 2, 1 being the white reference", c, v)
			}
			curve.Reflectance = append(curve.Reflectance, v)
		}
		if s.percent {
			if err := surelyPercent(curve.Reflectance); err != nil {
				return nil, err
			}
		}
		out.Raw.Value = &typesv1.RawColour_Spectrum{Spectrum: curve}
	} else {
		var v [3]float64
		for i, c := range m.lab {
			if v[i], err = r.number(c, document.Decimal); err != nil {
				return nil, err
			}
		}
		if v[0] < 0 || v[0] > 150 || max(v[1], v[2]) > 200 || min(v[1], v[2]) < -200 {
			return nil, fmt.Errorf("%s: L %g, a %g, b %g are out of range: 0 to 150, -200 to 200, -200 to 200", strings.Join(m.lab, ", "), v[0], v[1], v[2])
		}
		out.Raw.Value = &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: v[0], A: v[1], B: v[2]}}
		out.Raw.LabCondition = m.condition
	}
	if out.Specular, err = stated[typesv1.SpecularMode](r, m.specular); err != nil {
		return nil, err
	}
	if out.State, err = stated[labv1.PieceState](r, m.state); err != nil {
		return nil, err
	}
	if out.Geometry, err = r.value(m.geometry); err != nil {
		return nil, err
	}
	if out.Instrument, err = r.value(m.instrument); err != nil {
		return nil, err
	}
	if text := r.cell(m.ageDays); m.ageDays != "" && text != "" {
		n, err := strconv.ParseInt(text, 10, 32)
		if err != nil || n < 0 || n > 100_000 {
			return nil, fmt.Errorf("%s: %q must be a whole number from 0 to 100000", m.ageDays, text)
		}
		age := int32(n)
		out.AgeDays = &age
	}
	if text := r.cell(m.at); m.at != "" && text != "" {
		if out.At, err = quantity.Time(text, m.utcOffset); err != nil {
			return nil, fmt.Errorf("%s: %w", m.at, err)
		}
	}
	return out, nil
}
