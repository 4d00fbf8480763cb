// Package safety serves the module safety-rules: the contract commonvat.module.safety.v1 over the rule packs of package rules.
package safety

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"unicode/utf8"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/safety/materials"
	"github.com/commonvat/commonvat/plugins/safety/rules"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/shelf"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
)

// Name and Version are also in the module's manifest.
const (
	Name    = "safety-rules"
	Version = "0.1.0"
)

// Limits of safety.proto and data.proto.
const (
	maxPacks = shelf.Most
	maxSteps = 500
	maxFacts = 200
	maxID    = 80
)

// Module is what the executable serves.
func Module() sdk.Module {
	return sdk.Module{
		Describe: Describe(),
		Register: func(s *grpc.Server) {
			server := NewServer()
			safetyv1.RegisterSafetyServiceServer(s, server)
			datav1.RegisterDataServiceServer(s, server.packs)
		},
	}
}

// Describe tells the method.
func Describe() *describev1.DescribeResponse {
	return &describev1.DescribeResponse{
		Name: Name, Version: Version, Kind: sdk.KindSafety,
		Contracts: []string{"commonvat.module.safety.v1", "commonvat.module.data.v1"},
		Summary: "Holds the steps of a plan against rule packs. What isn't known never clears a stop; what is doubtful can hold a step and can't release it. " +
			"No finding never means that a step is safe.",
		Sources: []*describev1.Source{
			{Citation: "Common Expression Language, https://cel.dev", UsedFor: "conditions of rules, with unknown values"},
			{Citation: "Sources of each rule are named in its pack", UsedFor: "rules"},
		},
		Laws:   []*describev1.LawPromise{{Law: describev1.Law_LAW_UNKNOWN_NEVER_CLEARS}, {Law: describev1.Law_LAW_ORDER_FREE}},
		Author: "The Commonvat Authors",
	}
}

// standing cautions are on every sheet.
var standing = []string{
	"Natural is not the same as safe.",
	"No finding does not mean that a step is safe: safety data sheets, local rules and licensed practice come before anything said here.",
}

// Server answers the contract. It may be used by many calls at once.
type Server struct {
	safetyv1.UnimplementedSafetyServiceServer
	packs *shelf.Shelf[*rules.Pack]
}

// NewServer makes a server that holds its own pack.
func NewServer() *Server {
	packs, err := shelf.New(readPack, rules.BuiltInText())
	if err != nil {
		panic(err) // a test reads it
	}
	return &Server{packs: packs}
}

var _ safetyv1.SafetyServiceServer = (*Server)(nil)

func readPack(content []byte) (shelf.Piece[*rules.Pack], error) {
	pack, err := rules.ParsePack(content)
	var faults rules.PackFaults
	if errors.As(err, &faults) {
		return shelf.Piece[*rules.Pack]{}, shelf.Faults(faults)
	}
	if err != nil {
		return shelf.Piece[*rules.Pack]{}, err
	}
	return shelf.Piece[*rules.Pack]{Name: pack.Name, Version: pack.Version, Value: pack}, nil
}

var digestForm = regexp.MustCompile(`^[0-9a-f]{64}$`)

var kinds = map[rules.Kind]safetyv1.FieldKind{
	rules.Truth: safetyv1.FieldKind_FIELD_KIND_TRUTH, rules.Word: safetyv1.FieldKind_FIELD_KIND_WORD, rules.Words: safetyv1.FieldKind_FIELD_KIND_WORDS,
	rules.Text: safetyv1.FieldKind_FIELD_KIND_TEXT, rules.Texts: safetyv1.FieldKind_FIELD_KIND_TEXTS, rules.Number: safetyv1.FieldKind_FIELD_KIND_NUMBER,
}

var abouts = map[rules.About]safetyv1.FieldAbout{
	rules.Plan: safetyv1.FieldAbout_FIELD_ABOUT_PLAN, rules.Workshop: safetyv1.FieldAbout_FIELD_ABOUT_WORKSHOP, rules.Person: safetyv1.FieldAbout_FIELD_ABOUT_PERSON,
}

// ListFields answers the fields.
func (*Server) ListFields(context.Context, *safetyv1.ListFieldsRequest) (*safetyv1.ListFieldsResponse, error) {
	out := &safetyv1.ListFieldsResponse{}
	for _, name := range rules.FieldNames() {
		f, _ := rules.FieldNamed(name)
		out.Fields = append(out.Fields, &safetyv1.SafetyField{
			Name: f.Name, Kind: kinds[f.Kind], About: abouts[f.About], Asks: f.Asks, Allowed: f.Allowed, Unit: f.Unit, Low: f.Low, High: f.High,
		})
	}
	return out, nil
}

// The bounds of NameMaterials.
const (
	maxNames       = 2000
	maxNameOfThing = 80
)

func named(name string) *safetyv1.NamedMaterial {
	m, known := materials.Find(name)
	if !known {
		return &safetyv1.NamedMaterial{FirstName: name, NotKnown: true}
	}
	out := &safetyv1.NamedMaterial{FirstName: m.Name, Metal: m.Metal(), ToldApart: m.ToldApart}
	if s, ok := m.Salt(); ok {
		out.Salt = &safetyv1.MetalSalt{Metal: s.Metal, LowPercent: s.LowPercent, HighPercent: s.HighPercent, CeilingSalt: s.CeilingSalt, CeilingSaltPercent: s.CeilingSaltPercent}
	}
	return out
}

// NameMaterials answers what the table has of each name.
func (*Server) NameMaterials(_ context.Context, req *safetyv1.NameMaterialsRequest) (*safetyv1.NameMaterialsResponse, error) {
	var v sdk.Violations
	if n := len(req.GetNames()); n < 1 || n > maxNames {
		v.Add("names", "has %d entries, want 1 to %d", n, maxNames)
		return nil, v.Err()
	}
	out := &safetyv1.NameMaterialsResponse{}
	for i, name := range req.GetNames() {
		if n := utf8.RuneCountInString(name); n < 1 || n > maxNameOfThing {
			v.Add(fmt.Sprintf("names[%d]", i), "has %d characters, want 1 to %d", n, maxNameOfThing)
		}
		out.Materials = append(out.Materials, named(name))
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	return out, nil
}

// JudgeSteps answers every step, or none when a fault is found.
func (s *Server) JudgeSteps(ctx context.Context, req *safetyv1.JudgeStepsRequest) (*safetyv1.JudgeStepsResponse, error) {
	steps, err := checked(req)
	if err != nil {
		return nil, err
	}
	pieces, err := s.packs.Find(req.GetPackSha256()...)
	if err != nil {
		return nil, err
	}
	packs := make([]*rules.Pack, len(pieces))
	for i, piece := range pieces {
		packs[i] = piece.Value
	}
	out := &safetyv1.JudgeStepsResponse{StandingCautions: standing}
	for _, p := range packs {
		out.Packs = append(out.Packs, &safetyv1.PackIdentity{Sha256: p.Digest, Name: p.Name, Version: p.Version, Rules: int32(len(p.Rules))})
	}
	sessions := make([]*rules.Session, len(packs))
	for k, p := range packs {
		sessions[k] = p.NewSession()
	}
	for i, facts := range steps {
		if err := ctx.Err(); err != nil {
			return nil, status.FromContextError(err).Err()
		}
		step := &safetyv1.StepFindings{StepId: req.GetSteps()[i].GetStepId()}
		facts = materials.Complete(facts)
		for k, p := range packs {
			found, err := sessions[k].Judge(facts)
			if err != nil {
				return nil, status.Errorf(codes.Internal, "pack %s: %v", p.Name, err)
			}
			for _, f := range found {
				step.Findings = append(step.Findings, finding(p, f))
			}
		}
		slices.SortFunc(step.Findings, func(a, b *safetyv1.Finding) int {
			return cmp.Or(-cmp.Compare(a.GetSeverity(), b.GetSeverity()), cmp.Compare(a.GetPackSha256(), b.GetPackSha256()), cmp.Compare(a.GetRuleId(), b.GetRuleId()))
		})
		out.Steps = append(out.Steps, step)
	}
	return out, nil
}

func checked(req *safetyv1.JudgeStepsRequest) ([]rules.Facts, error) {
	var v sdk.Violations
	if n := len(req.GetPackSha256()); n > maxPacks {
		v.Add("pack_sha256", "has %d entries, want 0 to %d", n, maxPacks)
		return nil, v.Err()
	}
	for i, d := range req.GetPackSha256() {
		if !digestForm.MatchString(d) || slices.Index(req.GetPackSha256(), d) != i {
			v.Add(fmt.Sprintf("pack_sha256[%d]", i), "is %.80q, want 64 hexadecimal digits in lower case, each pack once", d)
		}
	}
	if n := len(req.GetSteps()); n == 0 || n > maxSteps {
		v.Add("steps", "has %d entries, want 1 to %d", n, maxSteps)
		return nil, v.Err()
	}
	seen := map[string]bool{}
	out := make([]rules.Facts, len(req.GetSteps()))
	for i, s := range req.GetSteps() {
		at := fmt.Sprintf("steps[%d].", i)
		if n := utf8.RuneCountInString(s.GetStepId()); n == 0 || n > maxID || seen[s.GetStepId()] {
			v.Add(at+"step_id", "is %.40q, want 1 to %d characters, each once", s.GetStepId(), maxID)
		}
		seen[s.GetStepId()] = true
		if n := len(s.GetFacts()); n > maxFacts {
			v.Add(at+"facts", "has %d entries, want 0 to %d", n, maxFacts)
			continue
		}
		out[i] = rules.Facts{}
		for j, f := range s.GetFacts() {
			field := fmt.Sprintf("%sfacts[%d]", at, j)
			known, ok := rules.FieldNamed(f.GetField())
			_, twice := out[i][f.GetField()]
			switch {
			case !ok || twice:
				v.Add(field+".field", "is %.60q, want a field of ListFields, each once", f.GetField())
				continue
			case known.About == rules.Person:
				v.Add(field+".field", "is %q, which is about a person and stays on that person's machine", f.GetField())
				continue
			}
			fact := read(f)
			if err := (rules.Facts{f.GetField(): fact}).Check(); err != nil {
				v.Add(field+".value", "%v", err)
			}
			out[i][f.GetField()] = fact
		}
	}
	return out, v.Err()
}

func read(f *safetyv1.Fact) rules.Fact {
	out := rules.Fact{Doubtful: f.GetDoubtful()}
	switch value := f.GetValue().(type) {
	case *safetyv1.Fact_Truth:
		out.Truth = &value.Truth
	case *safetyv1.Fact_Texts:
		out.Texts = append([]string{}, value.Texts.GetValues()...)
	case *safetyv1.Fact_Number:
		out.Number = &rules.Interval{Low: value.Number.GetLow(), Likely: value.Number.GetLikely(), High: value.Number.GetHigh()}
	}
	return out
}

var (
	severities = map[rules.Severity]safetyv1.Severity{
		rules.Stop: safetyv1.Severity_SEVERITY_STOP, rules.Caution: safetyv1.Severity_SEVERITY_CAUTION, rules.Note: safetyv1.Severity_SEVERITY_NOTE,
	}
	overrides = map[rules.Override]safetyv1.Override{
		rules.Never: safetyv1.Override_OVERRIDE_NEVER, rules.WrittenReason: safetyv1.Override_OVERRIDE_WRITTEN_REASON, rules.Permission: safetyv1.Override_OVERRIDE_PERMISSION,
	}
	standings = map[rules.Answer]safetyv1.Standing{
		rules.Yes: safetyv1.Standing_STANDING_FIRES, rules.Unknown: safetyv1.Standing_STANDING_NEEDS_ANSWER,
	}
)

func finding(p *rules.Pack, f rules.Finding) *safetyv1.Finding {
	r := f.Rule
	return &safetyv1.Finding{
		RuleId: r.ID, PackSha256: p.Digest, Severity: severities[r.Severity], Standing: standings[f.Answer], MissingFields: f.Missing, Override: overrides[r.Override],
		Harms: r.Harms, Topic: r.Topic, Title: r.Title, Reason: r.Reason, Do: r.Do, Hazards: r.Hazards, HazardsConfirmed: r.HazardsConfirmed, Source: r.Source, Confidence: r.Confidence,
	}
}
