// Package mordant serves the module mordant-craft: the contract commonvat.module.mordant.v1 over the choices of package choice.
package mordant

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/internal/wire"
	"github.com/commonvat/commonvat/plugins/mordant/choice"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/shelf"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
)

// Name and Version are also in the module's manifest.
const (
	Name    = "mordant-craft"
	Version = "0.1.0"
)

// Limits of mordant.proto.
const (
	maxFibres  = 8
	maxDyes    = 4
	maxStore   = 200
	maxRefused = 50
	maxName    = 80
)

// Module is what the executable serves.
func Module() sdk.Module {
	return sdk.Module{
		Describe: Describe(),
		Register: func(s *grpc.Server) {
			server := NewServer()
			mordantv1.RegisterMordantServiceServer(s, server)
			datav1.RegisterDataServiceServer(s, server.facts)
		},
	}
}

// Describe tells the method.
func Describe() *describev1.DescribeResponse {
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindMordant,
		Contracts: []string{"commonvat.module.mordant.v1", "commonvat.module.data.v1"},
		Summary: "Mordants for fibres and dyestuffs in their order, from published craft recipes with their sources: amounts, places beside the baths, " +
			"what was ruled out. Where authorities contradict each other, both ways are given.",
		Sources: []*describev1.Source{
			{Citation: "Mairet, E. (1916), A Book on Vegetable Dyes", UsedFor: "alum for cochineal, mordanting after indigo"},
			{Citation: "Suppliers' and craft pages, named in the module's facts", UsedFor: "amounts on wool, silk, cotton; order of tannin and alum; iron"},
		},
		Author: "The Commonvat Authors",
		Laws: []*describev1.LawPromise{
			{Law: describev1.Law_LAW_ORDER_FREE}, {Law: describev1.Law_LAW_REFUSED_NEVER_CHOSEN}, {Law: describev1.Law_LAW_UNKNOWN_IS_ASKED},
		},
	}
}

// Server answers the contract. It may be used by many calls at once.
type Server struct {
	mordantv1.UnimplementedMordantServiceServer
	facts *shelf.Shelf[*choice.Facts]
}

// NewServer makes a server that holds the facts that come with the module.
func NewServer() *Server {
	facts, err := shelf.New(readFacts, choice.BuiltInText())
	if err != nil {
		panic(err) // a test reads them
	}
	return &Server{facts: facts}
}

func readFacts(content []byte) (shelf.Piece[*choice.Facts], error) {
	facts, err := choice.ParseFacts(content)
	var faults choice.FactsFaults
	if errors.As(err, &faults) {
		return shelf.Piece[*choice.Facts]{}, shelf.Faults(faults)
	}
	if err != nil {
		return shelf.Piece[*choice.Facts]{}, err
	}
	return shelf.Piece[*choice.Facts]{Name: facts.Name, Version: facts.Version, Value: facts}, nil
}

var _ mordantv1.MordantServiceServer = (*Server)(nil)

// SelectMordants answers the choices of every fibre.
func (s *Server) SelectMordants(_ context.Context, req *mordantv1.SelectMordantsRequest) (*mordantv1.SelectMordantsResponse, error) {
	var digests []string
	if d := req.GetFactsSha256(); d != "" {
		if !digestForm.MatchString(d) {
			var v sdk.Violations
			v.Add("facts_sha256", "is %.80q, want 64 hexadecimal digits in lower case", d)
			return nil, v.Err()
		}
		digests = []string{d}
	}
	found, err := s.facts.Find(digests...)
	if err != nil {
		return nil, err
	}
	q, err := checked(req, found[0].Value)
	if err != nil {
		return nil, err
	}
	return tell(found[0], found[0].Value.Choose(q)), nil
}

var digestForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

func checked(req *mordantv1.SelectMordantsRequest, facts *choice.Facts) (choice.Question, error) {
	var v sdk.Violations
	name := func(field, text string) {
		if n := utf8.RuneCountInString(text); n == 0 || n > maxName || strings.TrimSpace(text) == "" {
			v.Add(field, "is %.20q, want 1 to %d characters", text, maxName)
		}
	}
	list := func(field string, entries []string, low, high int) {
		if len(entries) < low || len(entries) > high {
			v.Add(field, "has %d entries, want %d to %d", len(entries), low, high)
			return
		}
		for i, e := range entries {
			name(fmt.Sprintf("%s[%d]", field, i), e)
		}
	}
	list("fibres", req.GetFibres(), 1, maxFibres)
	list("store", req.GetStore(), 0, maxStore)
	list("refused", req.GetRefused(), 0, maxRefused)
	for i, f := range req.GetFibres() {
		if slices.Index(req.GetFibres(), f) != i {
			v.Add(fmt.Sprintf("fibres[%d]", i), "is %.40q, which stands in the list already", f)
		}
	}
	q := choice.Question{Fibres: req.GetFibres(), Shift: req.GetShift(), Refused: req.GetRefused(), HardnessMgPerL: req.HardnessMgPerL}
	if n := len(req.GetDyestuffs()); n < 1 || n > maxDyes {
		v.Add("dyestuffs", "has %d entries, want 1 to %d", n, maxDyes)
	} else {
		for i, d := range req.GetDyestuffs() {
			name(fmt.Sprintf("dyestuffs[%d].name", i), d.GetName())
			if class := d.GetDyeClass(); class != "" && !slices.Contains(facts.DyeClasses(), class) {
				v.Add(fmt.Sprintf("dyestuffs[%d].dye_class", i), "is %.40q, want one of %s", class, strings.Join(facts.DyeClasses(), ", "))
			}
			q.Dyes = append(q.Dyes, choice.Dye{Name: d.GetName(), Class: d.GetDyeClass()})
		}
	}
	if req.GetShift() != "" && !slices.Contains(choice.Shifts(), req.GetShift()) {
		v.Add("shift", "is %.40q, want one of %s", req.GetShift(), strings.Join(choice.Shifts(), ", "))
	}
	if req.HardnessMgPerL != nil && !(req.GetHardnessMgPerL() >= 0 && req.GetHardnessMgPerL() <= 10_000) {
		v.Add("hardness_mg_per_l", "is %s, want 0 to 10000", wire.Number(req.GetHardnessMgPerL()))
	}
	switch {
	case req.GetStoreTold():
		q.Store = append([]string{}, req.GetStore()...)
	case len(req.GetStore()) > 0:
		v.Add("store", "has %d entries, and store_told is false", len(req.GetStore()))
	}
	return q, v.Err()
}

var confidences = map[string]mordantv1.Confidence{
	"high": mordantv1.Confidence_CONFIDENCE_HIGH, "medium": mordantv1.Confidence_CONFIDENCE_MEDIUM, "low": mordantv1.Confidence_CONFIDENCE_LOW,
}

func tell(facts shelf.Piece[*choice.Facts], a choice.Answer) *mordantv1.SelectMordantsResponse {
	out := &mordantv1.SelectMordantsResponse{
		CeilingC: a.CeilingC, CeilingOf: a.CeilingOf, Remarks: remarks(a.Remarks), FactsName: facts.Name, FactsVersion: facts.Version, FactsSha256: facts.SHA256,
	}
	for _, q := range a.Asks {
		out.Questions = append(out.Questions, &mordantv1.Question{About: q.About, Text: q.Text, Choices: q.Choices})
	}
	for _, f := range a.Fibres {
		fibre := &mordantv1.FibreChoices{Fibre: f.Fibre, FibreClass: f.Class}
		for _, c := range f.Choices {
			m := &mordantv1.Choice{
				Effect: c.Effect, Reasons: c.Reasons, Sources: c.Sources, Confidence: confidences[c.Confidence], Warnings: remarks(c.Warnings), GivesShift: c.WantedShift, FactIds: c.IDs,
			}
			for _, step := range c.Steps {
				t := &mordantv1.MordantStep{
					Material: material(step.Material), BeforeDyestuff: int32(step.Place.Before), Modifies: step.Modifies, Note: step.Note, CeilingC: step.Material.CeilingC,
				}
				for _, w := range step.Material.With {
					t.With = append(t.With, material(w))
				}
				m.Steps = append(m.Steps, t)
			}
			fibre.Choices = append(fibre.Choices, m)
		}
		for _, r := range f.RuledOut {
			fibre.RuledOut = append(fibre.RuledOut, &mordantv1.RuledOut{What: r.What, Why: r.Why, FactId: r.ID})
		}
		out.Fibres = append(out.Fibres, fibre)
	}
	return out
}

func remarks(list []choice.Remark) (out []*mordantv1.Remark) {
	for _, r := range list {
		out = append(out, &mordantv1.Remark{Text: r.Text, Sources: r.Sources, Confidence: confidences[r.Confidence], Conflict: r.Conflict})
	}
	return out
}

func material(m choice.Material) *mordantv1.MordantMaterial {
	out := &mordantv1.MordantMaterial{Material: m.Material}
	if m.HighPercent > 0 {
		out.LowPercentWof, out.HighPercentWof = &m.LowPercent, &m.HighPercent
	}
	if m.PerGramHigh > 0 {
		out.LowPerGram, out.HighPerGram = &m.PerGramLow, &m.PerGramHigh
	}
	return out
}
