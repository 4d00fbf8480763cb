package bench

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

var canonical = proto.MarshalOptions{Deterministic: true}

// Workshop reads a member's workshop, with what its vessels held by the record; one that was never answered is empty, and due.
func (b *Bench) Workshop(ctx context.Context, member trial.MemberID) (*benchpb.Workshop, error) {
	w, err := b.workshop(ctx, member)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, v := range w.GetVessels() {
		names = append(names, v.GetName())
	}
	uses, _, err := b.vesselUses(ctx, member, names, toldTimes(w))
	for _, v := range w.GetVessels() {
		all := uses[vesselKey(v.GetName())]
		v.Uses = all[max(0, len(all)-maxUsesShown):]
	}
	return w, err
}

// workshop is as it was kept.
func (b *Bench) workshop(ctx context.Context, member trial.MemberID) (*benchpb.Workshop, error) {
	row, err := b.store.Workshop(ctx, member)
	if errors.Is(err, trial.ErrNotFound) {
		return &benchpb.Workshop{Due: true}, nil
	}
	if err != nil {
		return nil, err
	}
	w := &benchpb.Workshop{}
	if err := proto.Unmarshal(row.Body, w); err != nil {
		return nil, fmt.Errorf("workshop of %s as kept: %w", member, err)
	}
	again := row.At.Add(AskAgainAfter)
	w.Revision, w.Etag, w.UpdateTime, w.AskAgainTime, w.Due = row.Revision, trial.Etag(row.Revision), timestamppb.New(row.At), timestamppb.New(again), !b.now().Before(again)
	return w, nil
}

// UpdateWorkshop keeps the actor's workshop; toldAnew names vessels of which the last metal was looked at. Errors: trial.Faults; *trial.StaleError.
func (b *Bench) UpdateWorkshop(ctx context.Context, by store.Actor, given *benchpb.Workshop, etag string, toldAnew ...string) (*benchpb.Workshop, error) {
	present, err := b.workshop(ctx, by.Member)
	if err != nil {
		return nil, err
	}
	if present.GetRevision() > 0 && etag == "" {
		return nil, trial.Faults{{Field: "etag", Text: "is required: the etag of the workshop as it was read"}}
	}
	if etag != "" && etag != present.GetEtag() {
		return nil, &trial.StaleError{Kind: "workshop", ID: by.Member, Given: etag, Current: present.GetEtag()}
	}
	if err := checkWorkshop(given); err != nil {
		return nil, err
	}
	kept := proto.Clone(given).(*benchpb.Workshop) //nolint:forcetypeassert // a clone is of the same type
	kept.Revision, kept.Etag, kept.UpdateTime, kept.AskAgainTime, kept.Due = 0, "", nil, nil, false
	if err := b.tellVessels(kept, present, toldAnew); err != nil {
		return nil, err
	}
	body, err := canonical.Marshal(kept)
	if err != nil {
		return nil, err
	}
	if err := b.store.KeepWorkshop(ctx, by, store.WorkshopRow{Member: by.Member, Revision: present.GetRevision() + 1, At: b.now(), Body: body}); err != nil {
		return nil, err
	}
	return b.Workshop(ctx, by.Member)
}

// tellVessels notes since when the last metal of each vessel is told: anew by an answer that changed or by saying so. Of a vessel that is new, all that the record knows counts.
func (b *Bench) tellVessels(kept, present *benchpb.Workshop, toldAnew []string) error {
	var faults trial.Faults
	for i, name := range toldAnew {
		if vesselNamed(kept.GetVessels(), name) == nil {
			faults = append(faults, &trial.FieldFault{Field: fmt.Sprintf("told_anew[%d]", i), Text: fmt.Sprintf("%q is no vessel of the workshop", name)})
		}
	}
	if len(faults) > 0 {
		return faults
	}
	for _, v := range kept.GetVessels() {
		v.Uses, v.ToldTime = nil, nil
		anew := slices.ContainsFunc(toldAnew, func(name string) bool { return vesselKey(name) == vesselKey(v.GetName()) })
		if before := vesselNamed(present.GetVessels(), v.GetName()); before != nil {
			v.ToldTime = before.GetToldTime()
			anew = anew || !proto.Equal(lastMetal(before), lastMetal(v))
		}
		if anew {
			v.ToldTime = timestamppb.New(b.now())
		}
	}
	return nil
}

func lastMetal(v *benchpb.Vessel) *benchpb.Answer {
	for _, a := range v.GetAnswers() {
		if a.GetField() == "vessel.last_metal" {
			return a
		}
	}
	return nil
}

// checkWorkshop sees to it that names stand once, and that answers stand where they belong.
func checkWorkshop(w *benchpb.Workshop) error {
	var faults trial.Faults
	fault := func(field, format string, args ...any) {
		faults = append(faults, &trial.FieldFault{Field: "workshop." + field, Text: fmt.Sprintf(format, args...)})
	}
	seen := map[string]bool{}
	for i, v := range w.GetVessels() {
		if key := vesselKey(v.GetName()); seen[key] {
			fault(fmt.Sprintf("vessels[%d].name", i), "%q is another vessel's already, whatever the case of its letters", v.GetName())
		} else {
			seen[key] = true
		}
		for k, a := range v.GetAnswers() {
			if !strings.HasPrefix(a.GetField(), "vessel.") {
				fault(fmt.Sprintf("vessels[%d].answers[%d].field", i, k), "%q is none of a vessel: those begin with \"vessel.\"", a.GetField())
			}
		}
	}
	seen = map[string]bool{}
	for i, m := range w.GetShelf() {
		if seen[m.GetMaterial()] {
			fault(fmt.Sprintf("shelf[%d].material", i), "%q stands on the shelf already", m.GetMaterial())
		}
		seen[m.GetMaterial()] = true
		for k, a := range m.GetAnswers() {
			if !OnShelf(a.GetField()) && !strings.HasPrefix(a.GetField(), "storage.") {
				fault(fmt.Sprintf("shelf[%d].answers[%d].field", i, k), "%q is none of a material", a.GetField())
			}
		}
	}
	for k, a := range w.GetAnswers() {
		for _, begin := range []string{"material.", "plant.", "container.", "lot.", "vessel.", "bath.", "trial.", "fibre."} {
			if strings.HasPrefix(a.GetField(), begin) {
				fault(fmt.Sprintf("answers[%d].field", k), "%q doesn't hold for a whole workshop", a.GetField())
			}
		}
	}
	if len(faults) > 0 {
		return faults
	}
	return nil
}

// decode reads a kept sheet, with what the store alone knows.
func decode(row store.SheetRow) (*benchpb.KeptSheet, error) {
	kept := &benchpb.KeptSheet{}
	if err := proto.Unmarshal(row.Body, kept); err != nil || kept.GetSheet() == nil {
		return nil, fmt.Errorf("sheet of plan %s as kept can't be read: %w", row.PlanID, errors.Join(err))
	}
	s := kept.GetSheet()
	s.Revision, s.Etag, s.Owner, s.CreateTime = row.Revision, trial.Etag(row.Revision), row.Owner, timestamppb.New(row.At)
	if row.Deleted != (s.GetDeleteTime() != nil) {
		return nil, fmt.Errorf("sheet of plan %s as kept says of itself that it is deleted, and its row doesn't, or the other way round", row.PlanID)
	}
	if kept.GetPlannedTime() == nil {
		kept.PlannedTime = s.GetCreateTime()
	}
	return kept, nil
}

// decoded is the sheet alone.
func decoded(row store.SheetRow) (*benchpb.Sheet, error) {
	kept, err := decode(row)
	return kept.GetSheet(), err
}

// Sheet reads a member's sheet; revision 0 is the newest. Errors: trial.ErrNotFound.
func (b *Bench) Sheet(ctx context.Context, member trial.MemberID, plan trial.ID, revision int64) (*benchpb.Sheet, error) {
	row, err := b.store.Sheet(ctx, member, plan, revision)
	if err != nil {
		return nil, err
	}
	return decoded(row)
}

// Sheets lists a member's sheets below a plan's id: those that are deleted, or those that aren't.
func (b *Bench) Sheets(ctx context.Context, member trial.MemberID, deleted bool, before trial.ID, limit int) ([]*benchpb.SheetSummary, error) {
	rows, err := b.store.Sheets(ctx, member, deleted, before, limit)
	if err != nil {
		return nil, err
	}
	var out []*benchpb.SheetSummary
	for i := range rows {
		one := &benchpb.SheetSummary{
			PlanId: rows[i].PlanID, Revision: rows[i].Revision, Title: rows[i].Title, TrialId: rows[i].TrialID, Standing: benchpb.Standing(rows[i].Standing),
		}
		if deleted { // its row has no standing
			s, err := decoded(rows[i])
			if err != nil {
				return nil, err
			}
			one.Standing = s.GetStanding()
		}
		out = append(out, one)
	}
	return out, nil
}

// Keep plans and keeps the sheet. Errors: as for Plan; trial.ErrExists for an id of another member's; trial.ErrConflict for a deleted sheet.
func (b *Bench) Keep(ctx context.Context, by store.Actor, plan *benchpb.Plan) (*benchpb.Sheet, error) {
	return b.keep(ctx, by, plan, "planned", "", nil)
}

// keep plans; change may give further overrides, or refuse, when it sees the newest sheet.
func (b *Bench) keep(ctx context.Context, by store.Actor, plan *benchpb.Plan, act, reason string, change func(newest *benchpb.Sheet) ([]*benchpb.Override, error)) (*benchpb.Sheet, error) {
	d, facts, err := b.work(ctx, by.Member, plan)
	if err != nil {
		return nil, err
	}
	row, err := b.store.KeepSheet(ctx, by, b.now(), plan.GetId(), act, reason, func(keeping store.SheetKeeping) (*store.SheetRow, error) {
		var newest *benchpb.Sheet
		var overrides []*benchpb.Override
		var facts0 *benchpb.SheetFacts
		if keeping.Newest != nil {
			kept, err := decode(*keeping.Newest)
			if err != nil {
				return nil, err
			}
			newest, facts0 = kept.GetSheet(), kept.GetFacts()
			if newest.GetDeleteTime() != nil {
				return nil, sheetDeleted(plan.GetId())
			}
			if proto.Equal(newest.GetPlan(), plan) {
				overrides = newest.GetOverrides()
			}
			if d.usedSinceAt(kept.GetPlannedTime().AsTime()) { // done since, it is planned for another time, and asked after again
				facts0 = nil
			}
		}
		if change != nil {
			var err error
			if overrides, err = change(newest); err != nil {
				return nil, err
			}
		}
		return b.row(d.copied(), facts, overrides, newest, facts0, keeping)
	})
	if err != nil {
		return nil, err
	}
	return decoded(row)
}

// row is a draft as it is kept, or nil when it says what the newest sheet says.
func (b *Bench) row(d *draft, facts *benchpb.SheetFacts, overrides []*benchpb.Override, newest *benchpb.Sheet, facts0 *benchpb.SheetFacts, keeping store.SheetKeeping) (*store.SheetRow, error) {
	d.settle(overrides)
	s := d.sheet
	s.Labels = nil
	for _, p := range s.GetPlan().GetPieces() {
		code, err := keeping.Code(p.GetId())
		if err != nil {
			return nil, err
		}
		var fibres []string
		for _, f := range p.GetComposition() {
			text := f.GetFibre()
			if len(p.GetComposition()) > 1 {
				text = fmt.Sprintf("%.4g %% %s", f.GetPercent(), f.GetFibre())
			}
			fibres = append(fibres, text)
		}
		s.Labels = append(s.Labels, &benchpb.PieceLabel{PieceId: p.GetId(), Label: p.GetLabel(), Code: code, MassG: p.GetMassG(), Fibre: strings.Join(fibres, ", ")})
	}
	if newest != nil {
		same := proto.Clone(newest).(*benchpb.Sheet) //nolint:forcetypeassert // a clone is of the same type
		same.Revision, same.Etag, same.Owner, same.CreateTime = 0, "", s.GetOwner(), nil
		if proto.Equal(same, s) && proto.Equal(facts, facts0) {
			return nil, nil
		}
	}
	body, err := canonical.Marshal(&benchpb.KeptSheet{Sheet: s, Facts: facts})
	if err != nil {
		return nil, err
	}
	return &store.SheetRow{TrialID: s.GetPlan().GetTrialId(), Title: s.GetPlan().GetTitle(), Standing: int32(s.GetStanding()), Body: body}, nil
}

// copied is a draft that can be settled without changing the first: the store may build a row more than once.
func (d *draft) copied() *draft {
	out := *d
	out.sheet = proto.Clone(d.sheet).(*benchpb.Sheet) //nolint:forcetypeassert // a clone is of the same type
	out.baths = nil
	for _, one := range d.baths {
		other := *one
		other.out = proto.Clone(one.out).(*benchpb.SheetBath) //nolint:forcetypeassert // as above
		out.baths = append(out.baths, &other)
	}
	return &out
}

// Override takes a stop upon the actor and plans again. Errors: trial.ErrNotFound; *trial.StaleError; trial.ErrConflict for a stop that isn't lifted so; those of Keep.
func (b *Bench) Override(ctx context.Context, by store.Actor, q *benchpb.OverrideStopRequest) (*benchpb.Sheet, error) {
	present, err := b.Sheet(ctx, by.Member, q.GetPlanId(), 0)
	if err != nil {
		return nil, err
	}
	added := &benchpb.Override{Bath: q.GetBath(), RuleId: q.GetRuleId(), PackSha256: q.GetPackSha256(), Reason: q.GetReason(), By: by.Member, Time: timestamppb.New(b.now())}
	act := fmt.Sprintf("overridden %s of %.12s in %q", q.GetRuleId(), q.GetPackSha256(), q.GetBath())
	return b.keep(ctx, by, present.GetPlan(), act, q.GetReason(), func(newest *benchpb.Sheet) ([]*benchpb.Override, error) {
		if newest.GetEtag() != q.GetEtag() {
			return nil, &trial.StaleError{Kind: "sheet", ID: q.GetPlanId(), Given: q.GetEtag(), Current: newest.GetEtag()}
		}
		for _, one := range newest.GetBaths() {
			if one.GetName() != q.GetBath() {
				continue
			}
			for _, f := range one.GetFindings() {
				switch {
				case f.GetRuleId() != q.GetRuleId() || f.GetPackSha256() != q.GetPackSha256():
				case Liftable(f):
					return append(newest.GetOverrides(), added), nil
				default:
					return nil, fmt.Errorf("%w: %s of bath %q: only a stop that fires, harms fibre alone and yields to a written reason can be overridden", trial.ErrConflict, f.GetRuleId(), one.GetName())
				}
			}
		}
		return nil, fmt.Errorf("%w: no such stop stands on the sheet: rule %s in bath %q", trial.ErrConflict, q.GetRuleId(), q.GetBath())
	})
}

// InspectAgain holds kept sheets against the rules as they are now. Errors: trial.ErrNotFound; trial.ErrConflict for a deleted one; those of Keep.
func (b *Bench) InspectAgain(ctx context.Context, by store.Actor, plans []trial.ID) ([]*benchpb.SheetInspection, error) {
	const most = 1000
	var rows []store.SheetRow
	var err error
	if len(plans) == 0 {
		if rows, err = b.store.Sheets(ctx, by.Member, false, "", most); err != nil {
			return nil, err
		}
	}
	for _, id := range plans {
		row, err := b.store.Sheet(ctx, by.Member, id, 0)
		if err != nil {
			return nil, err
		}
		if row.Deleted {
			return nil, sheetDeleted(id)
		}
		rows = append(rows, row)
	}
	workshop, err := b.workshop(ctx, by.Member)
	if err != nil {
		return nil, err
	}
	out := make([]*benchpb.SheetInspection, len(rows))
	group, inside := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0)) // calls that run beside each other
	for from := 0; from < len(rows); {
		// As many sheets as make a full call.
		part := batch{first: from}
		for from < len(rows) {
			kept, err := decode(rows[from])
			if err != nil {
				return nil, errors.Join(err, group.Wait())
			}
			steps := kept.GetFacts().GetSteps()
			if len(part.kept) > 0 && len(part.steps)+len(steps) > stepsACall {
				break
			}
			part.kept, part.steps = append(part.kept, kept), append(part.steps, steps...)
			from++
		}
		group.Go(func() error { return b.inspectBatch(inside, by, workshop, part, out) })
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	return out, nil
}

// batch is as many sheets as make a full call.
type batch struct {
	first int // where the inspections of it stand
	kept  []*benchpb.KeptSheet
	steps []*benchpb.SheetStep
}

func (b *Bench) inspectBatch(ctx context.Context, by store.Actor, workshop *benchpb.Workshop, part batch, out []*benchpb.SheetInspection) error {
	j, err := b.ask(ctx, part.steps)
	if err != nil {
		return err
	}
	// What is kept waits for the disk, and the store puts many changes into one transaction.
	group, inside := errgroup.WithContext(ctx)
	group.SetLimit(32)
	begin := 0
	for i, kept := range part.kept {
		first := begin
		begin += len(kept.GetFacts().GetSteps())
		last := begin
		group.Go(func() error {
			one, err := b.inspected(inside, by, kept, j.of(first, last))
			if err != nil {
				return err
			}
			if one.WorkshopChanged = workshop.GetDue() || workshop.GetRevision() != kept.GetFacts().GetWorkshopRevision(); one.WorkshopChanged {
				one.Now = max(one.Now, benchpb.Standing_STANDING_NEEDS_ANSWERS)
			}
			out[part.first+i] = one
			return nil
		})
	}
	return group.Wait()
}

// of is what was said of some of the steps.
func (j *judged) of(from, to int) *judged {
	part := *j
	part.findings = j.findings[from:to]
	return &part
}

// inspected compares what is said now of a sheet with what stands on it, and keeps a next revision when that differs.
func (b *Bench) inspected(ctx context.Context, by store.Actor, kept *benchpb.KeptSheet, j *judged) (*benchpb.SheetInspection, error) {
	s, facts := kept.GetSheet(), kept.GetFacts()
	out := &benchpb.SheetInspection{PlanId: s.GetPlan().GetId(), Revision: s.GetRevision(), Title: s.GetPlan().GetTitle(), Before: s.GetStanding(), Now: s.GetStanding()}
	now := proto.Clone(s).(*benchpb.Sheet) //nolint:forcetypeassert // a clone is of the same type
	byBath, err := j.byBath(facts, len(s.GetBaths()))
	if err != nil {
		return nil, fmt.Errorf("sheet of plan %s as kept: %w", s.GetPlan().GetId(), err)
	}
	asked := questions{}
	for _, q := range now.GetQuestions() {
		if q.GetScope() == benchpb.QuestionScope_QUESTION_SCOPE_RECIPE || q.GetField() == "balances" {
			asked.add(q)
		}
	}
	for i, one := range now.GetBaths() {
		one.Findings = byBath[i].merged()
		asked.of(one, byBath[i].materials, j.asks)
	}
	now.Questions = asked.sorted()
	now.Parts = slices.DeleteFunc(now.Parts, func(p *benchpb.SheetPart) bool { return p.GetPart() == "safety" })
	now.Parts = append(now.Parts, j.parts...)
	if len(j.cautions) > 0 {
		now.StandingCautions = j.cautions
	}
	settle(now, j.unchecked, s.GetOverrides())
	if said(now) == said(s) {
		return out, nil
	}
	row, err := b.store.KeepSheet(ctx, by, b.now(), s.GetPlan().GetId(), "inspected again", "", func(keeping store.SheetKeeping) (*store.SheetRow, error) {
		if keeping.Newest == nil || keeping.Newest.Revision != s.GetRevision() {
			return nil, &trial.StaleError{Kind: "sheet", ID: s.GetPlan().GetId(), Given: s.GetEtag(), Current: "another"}
		}
		next := proto.Clone(now).(*benchpb.Sheet) //nolint:forcetypeassert // as above
		next.Revision, next.Etag, next.CreateTime = 0, "", nil
		body, err := canonical.Marshal(&benchpb.KeptSheet{Sheet: next, Facts: facts, PlannedTime: kept.GetPlannedTime()})
		return &store.SheetRow{TrialID: s.GetPlan().GetTrialId(), Title: s.GetPlan().GetTitle(), Standing: int32(next.GetStanding()), Body: body}, err
	})
	if err != nil {
		return nil, err
	}
	out.Revision, out.Now, out.Changed = row.Revision, now.GetStanding(), true
	return out, nil
}

// said is what the rules say of a sheet, whichever pack says it.
func said(s *benchpb.Sheet) string {
	var all strings.Builder
	for _, one := range s.GetBaths() {
		fmt.Fprintf(&all, "%s %d\n", one.GetName(), one.GetStanding())
		for _, f := range one.GetFindings() {
			fmt.Fprintf(&all, "%s %d %d %d %q %q %q %q %q %q\n", f.GetRuleId(), f.GetSeverity(), f.GetStanding(), f.GetLifting(), f.GetMaterials(), f.GetMissingFields(),
				f.GetTitle(), f.GetReason(), f.GetDo(), f.GetHazards())
		}
	}
	return all.String()
}
