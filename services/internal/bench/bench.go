// Package bench plans trials: it asks the mordant, bath scaling and safety modules in turn, and makes a sheet of their answers.
//
// It calculates nothing itself. What a module doesn't answer is missing on the sheet and said so. The amounts of a bath are on a sheet only when every active
// safety module judged every step of it and no stop fires or waits for an answer; a module that is down has judged nothing, and where there is none nothing
// is checked. Answers can add to what is known and never change what follows from the plan itself, such as delivered amounts. Nothing about a
// person's health is taken.
package bench

import (
	"context"
	"errors"
	"fmt"
	"time"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// AskAgainAfter is how long the answers about a workshop count.
const AskAgainAfter = 365 * 24 * time.Hour

// Modules asks modules; *pipeline.Pipeline does.
type Modules interface {
	SelectMordants(ctx context.Context, module string, q *mordantv1.SelectMordantsRequest) (*mordantv1.SelectMordantsResponse, *typesv1.ModuleIdentity, error)
	ScaleBaths(context.Context, *bathscalev1.ScaleBathsRequest) (*bathscalev1.ScaleBathsResponse, *typesv1.ModuleIdentity, error)
	MixWaters(context.Context, *bathscalev1.MixWatersRequest) (*bathscalev1.MixWatersResponse, *typesv1.ModuleIdentity, error)
	LayOut(context.Context, *bathscalev1.LayOutRequest) (*bathscalev1.LayOutResponse, *typesv1.ModuleIdentity, error)
	LayOutDays(context.Context, *bathscalev1.LayOutDaysRequest) (*bathscalev1.LayOutDaysResponse, *typesv1.ModuleIdentity, error)
	Rescale(context.Context, *bathscalev1.RescaleRequest) (*bathscalev1.RescaleResponse, *typesv1.ModuleIdentity, error)
	ListFields(ctx context.Context, module string) (*safetyv1.ListFieldsResponse, *typesv1.ModuleIdentity, error)
	NameMaterials(ctx context.Context, module string, q *safetyv1.NameMaterialsRequest) (*safetyv1.NameMaterialsResponse, *typesv1.ModuleIdentity, error)
	JudgeSteps(ctx context.Context, module string, q *safetyv1.JudgeStepsRequest) (*safetyv1.JudgeStepsResponse, *typesv1.ModuleIdentity, error)
}

// Store is what the bench needs of a storage engine.
type Store interface {
	store.BenchStore
	store.TrialReader
	store.BathReader
}

// ErrTakesNoPacks says that a module judges, or answers, by data of its own alone.
var ErrTakesNoPacks = errors.New("module takes no rule packs")

// Config is what a bench is made of. Mordant and Packs may be nil; the rest is required.
type Config struct {
	Modules Modules
	// Safety names every safety module that is active, those too that don't run now: what they would say isn't known.
	Safety func() []string
	// Mordant names the mordant modules that are active, the one that is asked first; nil: whichever is the default, by facts of its own.
	Mordant func() []string
	// Packs names the data that is in force for a module, by digest: rule packs, a table of facts. None means that nothing is checked, or answered. Errors:
	// ErrTakesNoPacks; any other is why nothing is. A nil Packs has each module go by its own.
	Packs func(ctx context.Context, module string) ([]string, error)
	Store Store
	Now   func() time.Time
}

// Bench plans. It is safe for use by several goroutines.
type Bench struct {
	modules Modules
	safety  func() []string
	mordant func() []string
	packs   func(ctx context.Context, module string) ([]string, error)
	store   Store
	now     func() time.Time
}

// New makes a bench.
func New(c Config) *Bench {
	if c.Packs == nil {
		c.Packs = func(context.Context, string) ([]string, error) { return nil, ErrTakesNoPacks }
	}
	if c.Mordant == nil {
		c.Mordant = func() []string { return nil }
	}
	return &Bench{modules: c.Modules, safety: c.Safety, mordant: c.Mordant, packs: c.Packs, store: c.Store, now: c.Now}
}

// draft is a plan on its way to a sheet.
type draft struct {
	member   trial.MemberID
	plan     *benchpb.Plan
	workshop *benchpb.Workshop
	sheet    *benchpb.Sheet
	baths    []*bath
	// dyes of the plan in their order, and what the mordant module said of them; nil when it didn't.
	dyes     []*mordantv1.Dyestuff
	mordants *mordantv1.SelectMordantsResponse
	earlier  history
	// uses are the recorded baths in the plan's vessels, by the vessel's key, oldest first.
	uses map[string][]*benchpb.VesselUse
	// unseen are vessels, by their key, of which older uses may be recorded than were looked at.
	unseen map[string]bool
	// planned are baths of other kept sheets in the plan's vessels that the record doesn't speak of.
	planned []plannedUse
	// metalsTold is when the last metal of each vessel was told, by its key.
	metalsTold map[string]*timestamppb.Timestamp
	// keptAs are the names under which materials of the plan stand on the workshop's shelf, where that isn't the plan's own.
	keptAs map[string]string
	// metals are those that materials leave in a vessel, by name, as far as a safety module knows.
	metals map[string]string
	// strange says of each name of a material about which safety modules were asked whether one of them doesn't know it; notKnown is what is told of those in the plan's baths.
	strange  map[string]bool
	notKnown map[string]*toldOf
	// missing is true when a bath that the plan wants isn't on the sheet.
	missing bool
	asked   questions
	// unchecked says why nothing is checked; empty when everything is.
	unchecked []string
}

// bath is one step of the work.
type bath struct {
	plan    *benchpb.PlanBath
	out     *benchpb.SheetBath
	pieces  []*benchpb.PlanPiece
	scaled  *bathscalev1.BathAmounts // nil: not computed
	ceiling float64                  // of the mordant module for this bath alone; 0: none
	open    bool                     // a question of a module, or an amount that isn't published, keeps it from being scaled
	laid    bool                     // hold_c of out is that of a schedule
	// same are the names in this bath of what is one material, itself among them; none for a material that has one name.
	same map[string][]string
	// salts are the materials of this bath that are salts of a metal.
	salts map[string]*safetyv1.MetalSalt
	// left is what the bath that it is an exhaust of left in it, of materials that its own recipe doesn't tell.
	left []held
}

// part notes who computed what, or why it is missing. A fault that isn't a module's ends the plan, and so does a refusal: what was refused is the caller's.
func (d *draft) part(name string, who *typesv1.ModuleIdentity, err error) (*benchpb.SheetPart, error) {
	p := &benchpb.SheetPart{Part: name, Module: who}
	if err != nil {
		var fault *pipeline.ModuleError
		if !errors.As(err, &fault) || errors.Is(err, pipeline.ErrModuleRefused) || errors.Is(err, pipeline.ErrTooLarge) {
			return nil, err
		}
		p.Fault = fault.Error()
	}
	d.sheet.Parts = append(d.sheet.Parts, p)
	return p, nil
}

// begin checks what parts of a plan say of each other, and reads what it refers to.
func (b *Bench) begin(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*draft, error) {
	workshop, err := b.workshop(ctx, member)
	if err != nil {
		return nil, err
	}
	d := &draft{member: member, plan: plan, workshop: workshop, sheet: &benchpb.Sheet{Plan: plan, Owner: member}, asked: questions{}, metalsTold: toldTimes(workshop)}
	if workshop.GetDue() {
		// What was said a year ago counts no more; the balances are still there.
		d.workshop = &benchpb.Workshop{
			Balances: workshop.GetBalances(), SmallVolumeUncertaintyMl: workshop.GetSmallVolumeUncertaintyMl(), FlaskUncertaintyPercent: workshop.GetFlaskUncertaintyPercent(),
			Revision: workshop.GetRevision(), Due: true,
		}
		if workshop.GetRevision() > 0 {
			d.remark("the workshop was last answered for more than a year ago: its answers count no more, until it is sent again")
		}
	}
	if err := d.check(); err != nil {
		return nil, err
	}
	for _, p := range plan.GetBaths() {
		d.baths = append(d.baths, d.newBath(p))
	}
	d.earlier, err = b.earlier(ctx, member, plan)
	return d, err
}

func (d *draft) newBath(p *benchpb.PlanBath) *bath {
	out := &bath{plan: p, out: &benchpb.SheetBath{Name: p.GetName(), Kind: p.GetKind(), Day: p.GetDay(), Vessel: p.GetVessel()}}
	if v := d.vessel(p.GetVessel()); v != nil {
		out.out.Vessel = v.GetName() // as the workshop writes it
	}
	for _, piece := range d.plan.GetPieces() {
		if len(p.GetPieces()) == 0 || contains(p.GetPieces(), piece.GetLabel()) {
			out.pieces = append(out.pieces, piece)
			out.out.Pieces = append(out.out.Pieces, piece.GetLabel())
		}
	}
	return out
}

func (d *draft) remark(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if !contains(d.sheet.Remarks, text) {
		d.sheet.Remarks = append(d.sheet.Remarks, text)
	}
}

func (one *bath) remark(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if !contains(one.out.Remarks, text) {
		one.out.Remarks = append(one.out.Remarks, text)
	}
}

func contains(list []string, text string) bool {
	for _, one := range list {
		if one == text {
			return true
		}
	}
	return false
}

// work makes the whole sheet; what is withheld is still in it.
func (b *Bench) work(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*draft, *benchpb.SheetFacts, error) {
	d, err := b.begin(ctx, member, plan)
	if err != nil {
		return nil, nil, err
	}
	for _, step := range []func(context.Context, *draft) error{b.mixWaters, b.chooseMordants, b.scale, b.layOut, b.usesOfVessels, b.usesPlanned} {
		if err := step(ctx, d); err != nil {
			return nil, nil, err
		}
	}
	d.leftOver()
	for _, step := range []func(context.Context, *draft) error{b.nameMaterials, b.layOutDays} {
		if err := step(ctx, d); err != nil {
			return nil, nil, err
		}
	}
	d.tellWorkshop()
	facts := d.facts()
	return d, facts, b.judge(ctx, d, facts)
}

// Plan makes a sheet and keeps nothing. Errors: trial.Faults; trial.ErrNotFound; *pipeline.ModuleError for a refusal; ctx.Err().
func (b *Bench) Plan(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*benchpb.Sheet, error) {
	d, _, err := b.work(ctx, member, plan)
	if err != nil {
		return nil, err
	}
	d.settle(nil)
	return d.sheet, nil
}

// Inspect is Plan without amounts.
func (b *Bench) Inspect(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*benchpb.Sheet, error) {
	sheet, err := b.Plan(ctx, member, plan)
	if err != nil {
		return nil, err
	}
	for _, bath := range sheet.GetBaths() {
		bath.Loads = nil
	}
	return sheet, nil
}

// Scale computes amounts and schedules, held against no rule. Errors: as for Plan; *pipeline.ModuleError when the module is down.
func (b *Bench) Scale(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*benchpb.ScaleBathResponse, error) {
	d, err := b.begin(ctx, member, plan)
	if err != nil {
		return nil, err
	}
	if plan.GetMordant() != nil {
		if err := b.chooseMordants(ctx, d); err != nil {
			return nil, err
		}
	}
	if err := b.scale(ctx, d); err != nil {
		return nil, err
	}
	for _, step := range []func(context.Context, *draft) error{b.layOut, b.layOutDays} {
		if err := step(ctx, d); err != nil {
			return nil, err
		}
	}
	for _, p := range d.sheet.GetParts() {
		if p.GetFault() != "" && p.GetPart() != "days" { // amounts stand without them
			return nil, &pipeline.ModuleError{Kind: pipeline.KindBathscale, Module: p.GetModule().GetName(), Class: pipeline.ErrModuleUnavailable, Reason: p.GetFault()}
		}
	}
	answer := &benchpb.ScaleBathResponse{Questions: d.asked.sorted(), Parts: d.sheet.GetParts(), Remarks: d.sheet.GetRemarks(), Days: d.sheet.GetDays(), DayRemarks: d.sheet.GetDayRemarks()}
	for _, one := range d.baths {
		one.out.Standing = benchpb.Standing_STANDING_NOT_CHECKED
		answer.Baths = append(answer.Baths, one.out)
	}
	return answer, nil
}

// Mordants ranks mordants. Errors: as for Scale; trial.Faults for a plan without a dyestuff.
func (b *Bench) Mordants(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (*benchpb.SelectMordantResponse, error) {
	d, err := b.begin(ctx, member, plan)
	if err != nil {
		return nil, err
	}
	if len(d.dyestuffs()) == 0 {
		return nil, trial.Faults{{Field: "plan.baths", Text: "has no bath with a dyestuff"}}
	}
	if err := b.mixWaters(ctx, d); err != nil {
		return nil, err
	}
	if err := b.chooseMordants(ctx, d); err != nil {
		return nil, err
	}
	for _, p := range d.sheet.GetParts() {
		if p.GetPart() == "mordant" && p.GetFault() != "" {
			return nil, &pipeline.ModuleError{Kind: pipeline.KindMordant, Module: p.GetModule().GetName(), Class: pipeline.ErrModuleUnavailable, Reason: p.GetFault()}
		}
	}
	return &benchpb.SelectMordantResponse{Mordants: d.sheet.GetMordants(), Questions: d.asked.sorted(), Parts: d.sheet.GetParts()}, nil
}
