package archive

import (
	"context"
	"path/filepath"
	"slices"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/ids"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// benchSheets writes every revision of every sheet of the caller's, the newest of each first.
func (e *exporting) benchSheets(ctx context.Context, w *writing) error {
	seen := map[string]bool{}
	return both(func(deleted bool, token string) (string, error) {
		page, err := ask(ctx, e.core, e.core.Bench.ListSheets, &benchv1.ListSheetsRequest{PageSize: pageSize, PageToken: token, Deleted: deleted})
		if err != nil {
			return "", err
		}
		for _, summary := range page.GetSheets() {
			if seen[summary.GetPlanId()] {
				continue // deleted or brought back while lists are read
			}
			seen[summary.GetPlanId()] = true
			for revision := summary.GetRevision(); revision > 0; revision-- {
				s, err := ask(ctx, e.core, e.core.Bench.GetSheet, &benchv1.GetSheetRequest{PlanId: summary.GetPlanId(), Revision: revision})
				if err != nil {
					return "", err
				}
				if made := s.GetCreateTime(); made != nil && (e.newest == nil || made.AsTime().After(e.newest.AsTime())) {
					e.newest = made
				}
				if err := w.line(s); err != nil {
					return "", err
				}
			}
		}
		return page.GetNextPageToken(), nil
	})
}

// workshop writes the caller's workshop, or nothing where it was never answered.
func (e *exporting) workshop(ctx context.Context, w *writing) error {
	have, err := ask(ctx, e.core, e.core.Bench.GetWorkshop, &benchv1.GetWorkshopRequest{})
	if err != nil || have.GetRevision() == 0 {
		return err
	}
	return w.line(have)
}

// has tells whether a folder has a file; those of earlier programs lack some.
func (f *Folder) has(file string) bool {
	return slices.ContainsFunc(f.Manifest.Files, func(one File) bool { return one.Path == file })
}

// bench restores the workshop and plans the sheets again, after all that they refer to.
func (r *restoring) bench(ctx context.Context) error {
	if r.in.has(workshopFile) {
		err := lines(filepath.Join(r.in.path, workshopFile), func(line []byte, _ int64) error {
			w := &benchv1.Workshop{}
			if err := decode(line, w); err != nil {
				return err
			}
			return r.workshop(ctx, w)
		})
		if err != nil {
			return err
		}
	}
	if !r.in.has(benchFile) {
		return nil
	}
	byCode := map[string]string{}
	err := records(r.in, trialsFile, func(t *labv1.Trial, _ int64) error {
		for _, p := range t.GetPieces() {
			byCode[p.GetCode()] = p.GetId()
		}
		return nil
	})
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	return lines(filepath.Join(r.in.path, benchFile), func(line []byte, _ int64) error {
		s := &benchv1.Sheet{}
		if err := decode(line, s); err != nil {
			return err
		}
		if seen[s.GetPlan().GetId()] {
			return nil // an earlier revision
		}
		seen[s.GetPlan().GetId()] = true
		return r.sheet(ctx, s, byCode)
	})
}

// toldOf is a workshop as its member told it.
func toldOf(w *benchv1.Workshop) *benchv1.Workshop {
	told := given(w)
	told.AskAgainTime, told.Due = nil, false
	return told
}

// workshop is restored where none was answered. One whose year is over isn't: sending it would make its answers count again.
func (r *restoring) workshop(ctx context.Context, w *benchv1.Workshop) error {
	row := r.report.row("workshop", "", "of "+r.from)
	have, err := ask(ctx, r.core, r.core.Bench.GetWorkshop, &benchv1.GetWorkshopRequest{})
	if err != nil {
		return err
	}
	if have.GetRevision() > 0 {
		row.worse(There)
		if !proto.Equal(toldOf(w), toldOf(have)) {
			row.worse(Differs)
			row.note("a workshop was answered here that says otherwise")
		}
		return nil
	}
	if again := w.GetAskAgainTime(); w.GetDue() || again != nil && !r.now.Before(again.AsTime()) {
		row.worse(LeftOut)
		row.note("its answers are more than a year old and count no more: look them through, and send them with workshop set")
		return nil
	}
	row.worse(Added)
	row.note("it was answered on " + w.GetUpdateTime().AsTime().Format("2006-01-02") + ", and counts for a year from now: look it through, and send it again when something has changed")
	if r.o.DryRun {
		return nil
	}
	_, err = ask(ctx, r.core, r.core.Bench.UpdateWorkshop, &benchv1.UpdateWorkshopRequest{Workshop: toldOf(w)})
	return refused(row, err)
}

// sheet plans a kept sheet again: what may be done is said by the modules that are asked here, and never by a file.
func (r *restoring) sheet(ctx context.Context, s *benchv1.Sheet, byCode map[string]string) error {
	plan := s.GetPlan()
	if err := ids.Check(plan.GetId()); err != nil {
		return bad("plan.id: %v", err)
	}
	row := r.report.row("sheet", plan.GetId(), plan.GetTitle())
	for _, p := range plan.GetPieces() {
		if p.GetTakenFrom() == "" || ids.Is(p.GetTakenFrom()) {
			continue
		}
		id, known := byCode[strings.ToUpper(strings.TrimSpace(p.GetTakenFrom()))]
		if !known {
			row.worse(LeftOut)
			row.note("it has fibre taken from " + p.GetTakenFrom() + ", and codes are others here: plan it again, and name that piece")
			return nil
		}
		p.TakenFrom = id
	}
	have, err := ask(ctx, r.core, r.core.Bench.GetSheet, &benchv1.GetSheetRequest{PlanId: plan.GetId()})
	switch {
	case err == nil:
		row.worse(There)
		if !proto.Equal(plan, have.GetPlan()) {
			row.worse(Differs)
			row.note("its plan says otherwise here")
		}
		if s.GetDeleteTime() == nil || have.GetDeleteTime() != nil || have.GetRevision() > 1 {
			return nil // one that was brought back, or changed, stays
		}
		row.worse(Completed)
	case status.Code(err) != codes.NotFound:
		return err
	default:
		row.worse(Added)
		if len(s.GetOverrides()) > 0 {
			row.note("stops that were overridden stand again")
		}
	}
	if r.o.DryRun {
		return nil
	}
	if have == nil || err != nil {
		if have, err = ask(ctx, r.core, r.core.Bench.PlanTrial, &benchv1.PlanTrialRequest{Plan: plan}); err != nil {
			return refused(row, err)
		}
		if have.GetStanding() != s.GetStanding() {
			row.note("it stands otherwise here than where it was exported from: read it before working from it")
		}
	}
	if s.GetDeleteTime() == nil {
		return nil
	}
	_, err = ask(ctx, r.core, r.core.Bench.DeleteSheet, &benchv1.DeleteSheetRequest{PlanId: plan.GetId(), Etag: have.GetEtag(), Reason: deleteReason})
	return refused(row, err)
}
