// Package trialfile reads trials, baths and experiments from YAML or JSON
// files that people write by hand. Pieces and baths have short names inside the file; the
// units stand with the figures. The format is described in README.md of clients/commonvat.
//
// Every id of a request is derived from one version 7 UUID, the seed: the file's own id, or
// one given by the caller. The same file with the same seed gives the same request, so that it can be sent again safely.
package trialfile

import (
	"fmt"
	"regexp"
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

// File is a parsed trial file.
type File struct {
	Request *labv1.SubmitTrialRequest
	places  map[string]string
}

// FileID gives the id that a file states for itself, "" when it states none, without reading the rest.
func FileID(data []byte) (string, error) {
	root, err := document.Parse(data)
	if err != nil {
		return "", err
	}
	var faults document.Faults
	id := faults.Fields(root, "").Text("id")
	if id != "" {
		if err := ids.Check(id); err != nil {
			faults.Add(root.Line, "id", "%v", err)
		}
	}
	return id, faults.Err()
}

// Parse reads a trial file. seed is used when the file has no id of its own; it must have passed ids.Check.
// Errors are *document.Error.
func Parse(data []byte, seed string) (*File, error) {
	r, root, err := open(data, seed)
	if err != nil {
		return nil, err
	}
	f := r.trial(root)
	if err := r.faults.Err(); err != nil {
		return nil, err
	}
	return f, nil
}

// ParseBath reads a file with one bath.
func ParseBath(data []byte, seed string) (*labv1.Bath, error) {
	r, root, err := open(data, seed)
	if err != nil {
		return nil, err
	}
	b := r.bath(root, r.seed)
	root.Child("name")
	root.Close()
	return b, r.faults.Err()
}

// ParseExperiment reads a file with one experiment.
func ParseExperiment(data []byte, seed string) (*labv1.Experiment, error) {
	r, root, err := open(data, seed)
	if err != nil {
		return nil, err
	}
	e := &labv1.Experiment{
		Id: r.seed, Title: root.Text("title"), FirstDye: root.Text("first_dye"), SecondDye: root.Text("second_dye"),
		ClosingSessions: root.Whole("closing_sessions", 0, 1000), Instrument: root.Text("instrument"),
	}
	e.Asks, e.WaterFigure = words.ReadOptional[labv1.ExperimentAsks](root, "asks"), words.ReadOptional[labv1.WaterFigure](root, "water_figure")
	e.WaterSourceIds, e.Values = root.Texts("waters"), root.Texts("values")
	for _, a := range root.Texts("arms") {
		e.Arms = append(e.Arms, words.Read[labv1.ExperimentArm](root, "arms", a))
	}
	if t := root.Number("tolerance_de00"); t != nil {
		e.ToleranceDe00 = *t
	}
	e.Condition = r.condition(root)
	root.Close()
	return e, r.faults.Err()
}

// Where says in the file's own terms what a field of the request is: trial.pieces[2].mass is
// `piece "w3", line 14`. It is "" for what it doesn't know.
func (f *File) Where(field string) string {
	if m := indexed.FindString(field); m != "" {
		return f.places[strings.TrimPrefix(m, "trial.")]
	}
	return ""
}

var indexed = regexp.MustCompile(`^(?:trial\.)?[a-z_]+\[\d+\]`)

type reader struct {
	faults  document.Faults
	seed    string
	offset  string
	pieces  map[string]*piece
	order   []*piece
	baths   map[string]string
	session map[string]string
	places  map[string]string
}

type piece struct {
	name   string
	msg    *labv1.Piece
	fields *document.Fields
	last   int32 // last position used
}

func open(data []byte, seed string) (*reader, *document.Fields, error) {
	root, err := document.Parse(data)
	if err != nil {
		return nil, nil, err
	}
	r := &reader{seed: seed, pieces: map[string]*piece{}, baths: map[string]string{}, session: map[string]string{}, places: map[string]string{}}
	f := r.faults.Fields(root, "")
	if id := f.Text("id"); id != "" {
		if err := ids.Check(id); err != nil {
			f.Fault("id", "%v", err)
		} else {
			r.seed = id
		}
	}
	if r.offset = f.Text("utc_offset"); r.offset != "" {
		if _, err := quantity.Offset(r.offset); err != nil {
			f.Fault("utc_offset", "%v", err)
			r.offset = ""
		}
	}
	return r, f, nil
}

func (r *reader) trial(f *document.Fields) *File {
	t := &labv1.Trial{
		Id: r.seed, Title: f.Text("title"), Question: f.Text("question"),
		State: words.ReadOptional[labv1.TrialState](f, "state"), AbandonedReason: f.Text("abandoned_reason"),
		Sharing: r.sharing(f),
	}
	if t.Title == "" {
		f.Fault("title", "is required")
	}
	req := &labv1.SubmitTrialRequest{Trial: t}
	for i, n := range f.List("sessions") {
		s := r.faults.Fields(n, fmt.Sprintf("sessions[%d]", i))
		name := r.name(s, r.place("sessions", i, "session", s))
		msg := &labv1.Session{Id: ids.Derive(r.seed, "session", name), ExperimentId: s.Text("experiment"), Begun: r.time(s, "begun"), Note: s.Text("note")}
		if _, twice := r.session[name]; twice {
			s.Fault("name", "%q names two sessions", name)
		}
		r.session[name] = msg.Id
		t.Sessions = append(t.Sessions, msg)
		s.Close()
	}
	for i, n := range f.List("baths") {
		b := r.faults.Fields(n, fmt.Sprintf("baths[%d]", i))
		name := r.name(b, r.place("baths", i, "bath", b))
		msg := r.bath(b, ids.Derive(r.seed, "bath", name))
		if _, twice := r.baths[name]; twice {
			b.Fault("name", "%q names two baths", name)
		}
		r.baths[name] = msg.Id
		req.Baths = append(req.Baths, msg)
		b.Close()
	}
	r.readPieces(f, t)
	r.readImmersions(f, t)
	r.origins()
	for i, n := range f.List("looks") {
		l := r.faults.Fields(n, fmt.Sprintf("looks[%d]", i))
		r.place("looks", i, "look", l)
		msg := &labv1.Look{Id: ids.Derive(r.seed, "look", strconv.Itoa(i)), Text: l.Text("text"), At: r.time(l, "at")}
		switch {
		case l.Has("piece") == l.Has("bath"):
			l.Fault("piece", "a look is of a piece or of a bath: give one of them")
		case l.Has("piece"):
			msg.Of = &labv1.Look_PieceId{PieceId: r.pieceID(l, "piece", l.Text("piece"))}
		default:
			msg.Of = &labv1.Look_BathId{BathId: r.bathID(l)}
		}
		t.Looks = append(t.Looks, msg)
		l.Close()
	}
	for i, n := range f.List("readings") {
		m := r.faults.Fields(n, fmt.Sprintf("readings[%d]", i))
		r.place("readings", i, "reading", m)
		t.Readings = append(t.Readings, r.reading(m, ids.Derive(r.seed, "reading", strconv.Itoa(i))))
		m.Close()
	}
	for i, n := range f.List("judgements") {
		j := r.faults.Fields(n, fmt.Sprintf("judgements[%d]", i))
		r.place("judgements", i, "judgement", j)
		t.Judgements = append(t.Judgements, r.judgement(j, ids.Derive(r.seed, "judgement", strconv.Itoa(i))))
		j.Close()
	}
	f.Close()
	return &File{Request: Finish(req, r.seed), places: r.places}
}

// Finish sets the request id of a submission anew.
func Finish(req *labv1.SubmitTrialRequest, seed string) *labv1.SubmitTrialRequest {
	req.RequestId = ""
	req.RequestId = RequestID(req, seed)
	return req
}

// RequestID gives a request's id: derived from the seed and from everything in the request, so that
// a changed file is another request and an unchanged one the same.
func RequestID(req proto.Message, seed string) string {
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		body = nil // only text that is not UTF-8 could do this, and no document has any
	}
	return ids.Derive(seed, "request", string(body))
}

func (r *reader) place(list string, i int, what string, f *document.Fields) string {
	name := f.Text("name")
	if name != "" {
		r.places[fmt.Sprintf("%s[%d]", list, i)] = fmt.Sprintf("%s %q, line %d", what, name, f.Line)
	} else {
		r.places[fmt.Sprintf("%s[%d]", list, i)] = fmt.Sprintf("%s, line %d", what, f.Line)
	}
	return name
}

func (r *reader) name(f *document.Fields, name string) string {
	if name == "" {
		f.Fault("name", "is required: a short name to use inside this file")
	}
	if ids.Is(name) || len(name) > 80 {
		f.Fault("name", "%q must be a short name of at most 80 bytes, and not a UUID", name)
	}
	return name
}

func (r *reader) time(f *document.Fields, key string) *typesv1.ClaimedTime {
	text := f.Text(key)
	if text == "" {
		return nil
	}
	t, err := quantity.Time(text, r.offset)
	if err != nil {
		f.Fault(key, "%v", err)
	}
	return t
}

func amount(f *document.Fields, key string, kind quantity.Kind) *typesv1.Amount {
	text := f.Text(key)
	if text == "" {
		return nil
	}
	a, err := quantity.Amount(text, kind, "")
	if err != nil {
		f.Fault(key, "%v", err)
	}
	return a
}

func (r *reader) sharing(f *document.Fields) *typesv1.Sharing {
	n := f.Child("share")
	if n == nil {
		return nil
	}
	s := r.faults.Fields(n, f.PathOf("share"))
	defer s.Close()
	out := &typesv1.Sharing{Level: words.Read[typesv1.SharingLevel](s, "level", s.Text("level")), Licence: s.Text("licence")}
	if out.Level == typesv1.SharingLevel_SHARING_LEVEL_PUBLIC && out.Licence == "" {
		s.Fault("licence", "is required with public")
	}
	return out
}

func (r *reader) bath(f *document.Fields, id string) *labv1.Bath {
	b := &labv1.Bath{
		Id: id, Label: f.Text("label"), Vessel: f.Text("vessel"), BlankOf: f.Text("blank_of"),
		Liquor: amount(f, "liquor", quantity.Volume), Sharing: r.sharing(f),
		ContentsNotStated: f.Bool("contents_not_stated"), ExhaustNumberNotStated: f.Bool("exhaust_number_not_stated"),
		ExhaustNotStated: f.Bool("exhaust_not_stated"), OpenToMembers: f.Bool("open_to_members"),
	}
	if b.Label == "" {
		b.Label = f.Text("name")
	}
	for _, p := range f.Texts("purpose") {
		b.Purposes = append(b.Purposes, words.Read[labv1.BathPurpose](f, "purpose", p))
	}
	if len(b.Purposes) == 0 && !b.ContentsNotStated {
		f.Fault("purpose", "is required unless contents_not_stated is true")
	}
	for i, n := range f.List("water") {
		w := r.faults.Fields(n, fmt.Sprintf("%s[%d]", f.PathOf("water"), i))
		part := &labv1.WaterPart{WaterSourceId: w.Text("source"), WaterSampleId: w.Text("sample"), Parts: 1}
		if p := w.Number("parts"); p != nil {
			part.Parts = *p
		}
		if !ids.Is(part.WaterSourceId) {
			w.Fault("source", "%q is not the UUID of a water source (see: commonvat water list)", part.WaterSourceId)
		}
		b.WaterParts = append(b.WaterParts, part)
		w.Close()
	}
	for i, n := range f.List("additions") {
		a := r.faults.Fields(n, fmt.Sprintf("%s[%d]", f.PathOf("additions"), i))
		add := &labv1.Addition{
			Id: ids.Derive(id, "addition", strconv.Itoa(i)), Material: a.Text("material"), Lot: a.Text("lot"),
			Role: words.Read[labv1.AdditionRole](a, "role", a.Text("role")), Amount: amount(a, "amount", quantity.MassOrVolume),
			Exhaust: a.Whole("exhaust", 0, 50), At: r.time(a, "at"),
		}
		if text := a.Text("density"); text != "" {
			v, err := quantity.Density(text)
			if err != nil {
				a.Fault("density", "%v", err)
			}
			add.DensityKgPerL = &v
		}
		if add.Material == "" {
			a.Fault("material", "is required")
		}
		if add.Amount == nil && !a.Has("amount") {
			a.Fault("amount", "is required; write %q when nobody knows", "not known")
		}
		b.Additions = append(b.Additions, add)
		a.Close()
	}
	for i, n := range f.List("checks") {
		c := r.faults.Fields(n, fmt.Sprintf("%s[%d]", f.PathOf("checks"), i))
		check := &labv1.Check{
			Id: ids.Derive(id, "check", strconv.Itoa(i)), Ph: c.Number("ph"), Exhaust: c.Whole("exhaust", 0, 50),
			At: r.time(c, "at"), Note: c.Text("note"),
		}
		if text := c.Text("temperature"); text != "" {
			v, err := quantity.Celsius(text)
			if err != nil {
				c.Fault("temperature", "%v", err)
			}
			check.TemperatureC = &v
		}
		b.Checks = append(b.Checks, check)
		c.Close()
	}
	return b
}
