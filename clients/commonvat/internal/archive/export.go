package archive

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"time"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"
)

const pageSize = 200 // the most that a core gives at once

// Export writes everything that is the caller's into a new folder. Nothing is left when it fails. Records are read one after the other: each is whole,
// but what changes meanwhile may be in it or not. Errors: ErrThere; of the file system; of the core.
func Export(ctx context.Context, core *Core, path string, now time.Time) (*Manifest, error) {
	me, err := ask(ctx, core, core.Access.GetCurrentMember, &accessv1.GetCurrentMemberRequest{})
	if err != nil {
		return nil, err
	}
	m, err := begin(path)
	if err != nil {
		return nil, err
	}
	e := &exporting{core: core, me: me.GetId(), m: m, seen: map[recordRef]bool{}, named: map[string]bool{}, waters: map[string]bool{}, nm: map[float64]bool{},
		manifest: &Manifest{Format: Format, Member: me.GetId(), MadeTime: now.UTC().Truncate(time.Second), Counts: map[string]int{}}}
	if err := e.run(ctx); err != nil {
		return nil, errors.Join(err, m.drop())
	}
	return e.manifest, nil
}

type exporting struct {
	core     *Core
	me       string
	m        *making
	manifest *Manifest
	seen     map[recordRef]bool
	own      []recordRef      // own records, for their history
	named    map[string]bool  // baths that own trials name
	waters   map[string]bool  // water sources that those baths, or experiments, name
	nm       map[float64]bool // wavelengths of spectra
	newest   *timestamppb.Timestamp
}

type recordRef struct {
	kind labv1.RecordKind
	id   string
}

func (e *exporting) run(ctx context.Context) error {
	for _, part := range []struct {
		path string
		fill func(context.Context, *writing) error
	}{
		{trialsFile, e.trials}, {bathsFile, e.baths}, {experimentsFile, e.experiments}, {watersFile, e.waterSources}, {benchFile, e.benchSheets}, {workshopFile, e.workshop},
		{versionsFile, e.versions}, {tokensFile, e.tokens}, {auditFile, e.audit},
	} {
		if err := e.m.fill(part.path, func(w *writing) error { return part.fill(ctx, w) }); err != nil {
			return err
		}
	}
	if err := e.sheets(); err != nil {
		return err
	}
	for _, f := range e.m.files {
		e.manifest.Counts[nameOf(f.Path)] = f.Records
	}
	if err := e.m.fill(readmeFile, func(w *writing) error { _, err := io.WriteString(w, readme(e.manifest)); return err }); err != nil {
		return err
	}
	if e.newest != nil {
		t := e.newest.AsTime()
		e.manifest.LastChangeTime = &t
	}
	return e.m.finish(e.manifest)
}

// nameOf is a file's path without its ending.
func nameOf(path string) string { return path[:len(path)-len(filepath.Ext(path))] }

// pages reads a list to its end.
func pages(page func(token string) (next string, err error)) error {
	seen := map[string]bool{"": true}
	for token := ""; ; {
		next, err := page(token)
		switch {
		case err != nil:
			return err
		case next == "":
			return nil
		case seen[next]:
			return errors.New("the core gave the same page token twice")
		}
		seen[next] = true
		token = next
	}
}

// both reads a list without the deleted records and then with them alone.
func both(page func(deleted bool, token string) (next string, err error)) error {
	for _, deleted := range []bool{false, true} {
		if err := pages(func(token string) (string, error) { return page(deleted, token) }); err != nil {
			return err
		}
	}
	return nil
}

func (e *exporting) mine() string { return fmt.Sprintf("owner = %q", e.me) }

// note takes a record of the caller's down; false for one that was there before, as when it is deleted while lists are read.
func (e *exporting) note(kind labv1.RecordKind, id string, updated *timestamppb.Timestamp) bool {
	r := recordRef{kind, id}
	if e.seen[r] {
		return false
	}
	e.seen[r] = true
	e.own = append(e.own, r)
	if updated != nil && (e.newest == nil || updated.AsTime().After(e.newest.AsTime())) {
		e.newest = updated
	}
	return true
}

func (e *exporting) trials(ctx context.Context, w *writing) error {
	return both(func(deleted bool, token string) (string, error) {
		page, err := ask(ctx, e.core, e.core.Trials.ListTrials, &labv1.ListTrialsRequest{PageSize: pageSize, PageToken: token, Filter: e.mine(), Deleted: deleted})
		if err != nil {
			return "", err
		}
		for _, summary := range page.GetTrials() {
			if summary.GetOwner() != e.me {
				continue
			}
			t, err := ask(ctx, e.core, e.core.Trials.GetTrial, &labv1.GetTrialRequest{TrialId: summary.GetId()})
			if err != nil {
				return "", err
			}
			for _, im := range t.GetImmersions() {
				e.named[im.GetBathId()] = true
			}
			for _, l := range t.GetLooks() {
				if l.GetBathId() != "" {
					e.named[l.GetBathId()] = true
				}
			}
			for _, r := range t.GetReadings() {
				s := r.GetRaw().GetSpectrum()
				for i := range s.GetReflectance() {
					e.nm[s.GetStartNm()+float64(i)*s.GetStepNm()] = true
				}
			}
			if !e.note(labv1.RecordKind_RECORD_KIND_TRIAL, t.GetId(), t.GetUpdateTime()) {
				continue
			}
			if err := w.line(t); err != nil {
				return "", err
			}
		}
		return page.GetNextPageToken(), nil
	})
}

// baths are the caller's own, and then those of others in which own pieces were, as far as they may be read.
func (e *exporting) baths(ctx context.Context, w *writing) error {
	take := func(b *labv1.Bath) error {
		for _, part := range b.GetWaterParts() {
			e.waters[part.GetWaterSourceId()] = true
		}
		delete(e.named, b.GetId())
		return w.line(b)
	}
	err := both(func(deleted bool, token string) (string, error) {
		page, err := ask(ctx, e.core, e.core.Baths.ListBaths, &labv1.ListBathsRequest{PageSize: pageSize, PageToken: token, Filter: e.mine(), Deleted: deleted})
		if err != nil {
			return "", err
		}
		for _, b := range page.GetBaths() {
			if b.GetOwner() != e.me {
				continue
			}
			if !e.note(labv1.RecordKind_RECORD_KIND_BATH, b.GetId(), b.GetUpdateTime()) {
				continue
			}
			if err := take(b); err != nil {
				return "", err
			}
		}
		return page.GetNextPageToken(), nil
	})
	if err != nil {
		return err
	}
	for _, id := range sorted(e.named) {
		b, err := ask(ctx, e.core, e.core.Baths.GetBath, &labv1.GetBathRequest{BathId: id})
		if status.Code(err) == codes.NotFound {
			e.manifest.NotReadable = append(e.manifest.NotReadable, "bath "+id)
			continue
		}
		if err == nil {
			err = take(b)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// waterSources are the caller's own, and then those of others that the baths and experiments name.
func (e *exporting) waterSources(ctx context.Context, w *writing) error {
	err := both(func(deleted bool, token string) (string, error) {
		page, err := ask(ctx, e.core, e.core.Waters.ListWaterSources, &labv1.ListWaterSourcesRequest{PageSize: pageSize, PageToken: token, Deleted: deleted})
		if err != nil {
			return "", err
		}
		for _, s := range page.GetWaterSources() {
			if s.GetOwner() != e.me {
				continue
			}
			delete(e.waters, s.GetId())
			if !e.note(labv1.RecordKind_RECORD_KIND_WATER_SOURCE, s.GetId(), s.GetUpdateTime()) {
				continue
			}
			if err := w.line(s); err != nil {
				return "", err
			}
		}
		return page.GetNextPageToken(), nil
	})
	if err != nil {
		return err
	}
	for _, id := range sorted(e.waters) {
		s, err := ask(ctx, e.core, e.core.Waters.GetWaterSource, &labv1.GetWaterSourceRequest{WaterSourceId: id})
		if status.Code(err) == codes.NotFound {
			e.manifest.NotReadable = append(e.manifest.NotReadable, "water source "+id)
			continue
		}
		if err == nil {
			err = w.line(s)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (e *exporting) experiments(ctx context.Context, w *writing) error {
	return both(func(deleted bool, token string) (string, error) {
		page, err := ask(ctx, e.core, e.core.Experiments.ListExperiments, &labv1.ListExperimentsRequest{PageSize: pageSize, PageToken: token, Deleted: deleted})
		if err != nil {
			return "", err
		}
		for _, x := range page.GetExperiments() {
			if x.GetOwner() != e.me {
				continue
			}
			if !e.note(labv1.RecordKind_RECORD_KIND_EXPERIMENT, x.GetId(), x.GetUpdateTime()) {
				continue
			}
			for _, id := range x.GetWaterSourceIds() {
				e.waters[id] = true
			}
			if err := w.line(x); err != nil {
				return "", err
			}
		}
		return page.GetNextPageToken(), nil
	})
}

// versions are what own records said, those of a record newest first.
func (e *exporting) versions(ctx context.Context, w *writing) error {
	for _, r := range e.own {
		err := pages(func(token string) (string, error) {
			page, err := ask(ctx, e.core, e.core.History.ListVersions, &labv1.ListVersionsRequest{RecordKind: r.kind, RecordId: r.id, PageSize: pageSize, PageToken: token})
			if err != nil {
				return "", err
			}
			for _, v := range page.GetVersions() {
				whole, err := ask(ctx, e.core, e.core.History.GetVersion, &labv1.GetVersionRequest{RecordKind: r.kind, RecordId: r.id, Revision: v.GetRevision()})
				if err != nil {
					return "", err
				}
				if err := w.line(whole); err != nil {
					return "", err
				}
			}
			return page.GetNextPageToken(), nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// tokens are what is kept of the caller's tokens, which has no secret in it.
func (e *exporting) tokens(ctx context.Context, w *writing) error {
	list, err := ask(ctx, e.core, e.core.Access.ListTokens, &accessv1.ListTokensRequest{})
	if err != nil {
		return err
	}
	for _, t := range list.GetTokens() {
		if err := w.line(t); err != nil {
			return err
		}
	}
	return nil
}

func (e *exporting) audit(ctx context.Context, w *writing) error {
	for after := int64(0); ; {
		page, err := ask(ctx, e.core, e.core.Audit.ListAuditEntries, &accessv1.ListAuditEntriesRequest{AfterSequence: after, PageSize: pageSize, Actor: e.me})
		if err != nil {
			return err
		}
		if len(page.GetEntries()) == 0 {
			return nil
		}
		for _, entry := range page.GetEntries() {
			if entry.GetSequence() <= after {
				return errors.New("the core gave the audit trail out of order")
			}
			after = entry.GetSequence()
			if err := w.line(entry); err != nil {
				return err
			}
		}
	}
}

func sorted(set map[string]bool) []string {
	ids := make([]string, 0, len(set))
	for id := range set {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}
