package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// as applies a put of a member's with a reason.
func (b *bench) as(t *testing.T, member trial.MemberID, reason string, at time.Time, put func(trial.Records) error) int64 {
	t.Helper()
	result, err := b.Change(t.Context(), store.ChangeRequest{
		Actor: By(member), Reason: reason, Now: at, BodyHash: hashOf(reason), Apply: func(r trial.Records) ([]byte, error) { return nil, put(r) },
	})
	require.NoError(t, err)
	return result.Revision
}

func setTitle(id trial.ID, title string) func(trial.Records) error {
	return func(r trial.Records) error {
		kept, err := r.Trial(id)
		if err != nil {
			return err
		}
		kept.Title = title
		return r.PutTrial(kept, trial.Changed)
	}
}

// records is one record of each sort, and how it is changed and read.
type sortOfRecord struct {
	kind trial.RecordKind
	id   trial.ID
	put  func(r trial.Records, text string) error
	body func() []byte // as its own row has it
}

func oneOfEach(t *testing.T, b *bench) []sortOfRecord {
	sample := NewSample(ann)
	well := &trial.WaterSource{ID: NewID(), Owner: ann, Name: "Mill well"}
	question := &trial.Experiment{ID: NewID(), Owner: ann, Title: "which first", FirstDye: "weld", SecondDye: "indigo", ClosingSessions: 6}
	b.must(t, func(r trial.Records) error {
		return errors.Join(sample.Put(r), r.CreateWaterSource(well), r.CreateExperiment(question))
	})
	bath := sample.Baths[0].ID
	return []sortOfRecord{
		{trial.TrialRecord, sample.Trial.ID, func(r trial.Records, text string) error { return setTitle(sample.Trial.ID, text)(r) }, func() []byte {
			row, err := b.TrialRow(t.Context(), sample.Trial.ID)
			require.NoError(t, err)
			return row.Body
		}},
		{trial.BathRecord, bath, func(r trial.Records, text string) error {
			kept, err := r.Bath(bath)
			if err != nil {
				return err
			}
			kept.Label = text
			return r.PutBath(kept, trial.Changed)
		}, func() []byte {
			row, err := b.BathRow(t.Context(), bath)
			require.NoError(t, err)
			return row.Body
		}},
		{trial.WaterRecord, well.ID, func(r trial.Records, text string) error {
			kept, err := r.WaterSource(well.ID)
			if err != nil {
				return err
			}
			kept.Name = text
			return r.PutWaterSource(kept, trial.Changed)
		}, nil},
		{trial.ExperimentRecord, question.ID, func(r trial.Records, text string) error {
			kept, err := r.Experiment(question.ID)
			if err != nil {
				return err
			}
			kept.Title = text
			return r.PutExperiment(kept, trial.Changed)
		}, nil},
	}
}

// everyVersion changes a record of each sort many times; each version is what its row was, before and after the engine is opened again.
func everyVersion(t *testing.T, b *bench) {
	const updates = 70
	for _, record := range oneOfEach(t, b) {
		type said struct {
			revision int64
			body     []byte
			reason   string
		}
		first, err := b.Versions(t.Context(), record.kind, record.id, 0, 5)
		require.NoError(t, err)
		require.Len(t, first, 1)
		assert.Equal(t, trial.Created, first[0].Kind)
		all := []said{{first[0].Revision, first[0].Body, ""}}
		for n := range updates {
			reason := ""
			if n%2 == 1 {
				reason = fmt.Sprint("because of ", n)
			}
			text := fmt.Sprint(n, strings.Repeat(" and so on", n*n%40))
			at := now.Add(time.Duration(n) * time.Second)
			revision := b.as(t, bo, reason, at, func(r trial.Records) error { return record.put(r, text) })
			version, err := b.Version(t.Context(), record.kind, record.id, revision)
			require.NoError(t, err)
			assert.Equal(t, store.VersionRow{
				Revision: revision, At: at.UTC().Truncate(time.Microsecond), By: bo, Kind: trial.Changed, Reason: reason, Body: version.Body,
			}, version)
			if record.body != nil {
				assert.Equal(t, record.body(), version.Body, "the newest version is the row")
			}
			assert.Contains(t, string(version.Body), text)
			all = append(all, said{revision, version.Body, reason})
		}
		for _, opened := range []string{"as it is", "opened again"} {
			if opened == "opened again" {
				b.reopen(t)
			}
			versions, err := b.Versions(t.Context(), record.kind, record.id, 0, store.MaxPage)
			require.NoError(t, err)
			require.Len(t, versions, updates+1)
			for i, version := range versions {
				want := all[len(all)-1-i]
				assert.Equal(t, want.revision, version.Revision)
				assert.Equal(t, want.reason, version.Reason)
				require.Equal(t, want.body, version.Body, "%s: version %d of %s", opened, want.revision, record.kind)
				one, err := b.Version(t.Context(), record.kind, record.id, want.revision)
				require.NoError(t, err)
				require.Equal(t, version, one)
			}
		}
	}
	for _, kind := range []trial.RecordKind{trial.TrialRecord, trial.BathRecord, trial.WaterRecord, trial.ExperimentRecord, "recipe"} {
		for _, id := range []trial.ID{NewID(), "", "no id"} {
			_, err := b.Versions(t.Context(), kind, id, 0, 10)
			assert.ErrorIs(t, err, trial.ErrNotFound)
			_, err = b.Version(t.Context(), kind, id, 1)
			assert.ErrorIs(t, err, trial.ErrNotFound)
		}
	}
}

func versionsOfTwoPuts(t *testing.T, b *bench) {
	sample := NewSample(ann)
	b.must(t, func(r trial.Records) error { // created and put in one change: one version
		return errors.Join(sample.Put(r), setTitle(sample.Trial.ID, "at once")(r))
	})
	versions, err := b.Versions(t.Context(), trial.TrialRecord, sample.Trial.ID, 0, 10)
	require.NoError(t, err)
	require.Len(t, versions, 1)
	assert.Contains(t, string(versions[0].Body), "at once")
	b.must(t, func(r trial.Records) error {
		return errors.Join(setTitle(sample.Trial.ID, "a thought")(r), setTitle(sample.Trial.ID, "a second thought")(r))
	})
	b.must(t, setTitle(sample.Trial.ID, "a third"))
	versions, err = b.Versions(t.Context(), trial.TrialRecord, sample.Trial.ID, 0, 10)
	require.NoError(t, err)
	require.Len(t, versions, 3)
	for i, title := range []string{"a third", "a second thought", "at once"} {
		assert.Contains(t, string(versions[i].Body), title)
	}
	assert.Equal(t, []int64{3, 2, 1}, []int64{versions[0].Revision, versions[1].Revision, versions[2].Revision})
}

func versionPages(t *testing.T, b *bench) {
	sample := NewSample(ann)
	b.keep(t, sample)
	want := []int64{sample.Trial.Revision}
	for n := range 40 {
		b.keep(t, NewSmallSample(bo)) // so that revisions of the trial don't follow on each other
		want = append(want, b.must(t, setTitle(sample.Trial.ID, fmt.Sprint(n))).Revision)
	}
	slices.Reverse(want)
	for _, limit := range []int{1, 7, 100} {
		var seen []int64
		for before := int64(0); ; {
			page, err := b.Versions(t.Context(), trial.TrialRecord, sample.Trial.ID, before, limit)
			require.NoError(t, err)
			if len(page) == 0 {
				break
			}
			require.LessOrEqual(t, len(page), limit)
			for _, version := range page {
				seen = append(seen, version.Revision)
			}
			before = seen[len(seen)-1]
		}
		assert.Equal(t, want, seen, "pages of %d", limit)
	}
	for _, revision := range []int64{-1, 0, want[0] - 1, want[0] + 1} {
		_, err := b.Version(t.Context(), trial.TrialRecord, sample.Trial.ID, revision)
		assert.ErrorIs(t, err, trial.ErrNotFound, "revision %d is another record's", revision)
	}
	for _, limit := range []int{-1, 0, store.MaxPage + 1} {
		_, err := b.Versions(t.Context(), trial.TrialRecord, sample.Trial.ID, 0, limit)
		assert.ErrorIs(t, err, trial.ErrInvalid)
	}
}

func versionsUnderChange(t *testing.T, b *bench) {
	sample := NewSample(ann)
	b.keep(t, sample)
	ended := make(chan struct{})
	var readers sync.WaitGroup
	for range 3 {
		readers.Go(func() {
			for {
				select {
				case <-ended:
					return
				default:
				}
				versions, err := b.Versions(t.Context(), trial.TrialRecord, sample.Trial.ID, 0, store.MaxPage)
				if !assert.NoError(t, err) || !assert.Equal(t, int64(len(versions)), versions[0].Revision) {
					return
				}
			}
		})
	}
	for n := range rounds(80) {
		b.must(t, setTitle(sample.Trial.ID, fmt.Sprint(n)))
	}
	close(ended)
	readers.Wait()
}

func allAudit(t *testing.T, b *bench) []store.AuditRow {
	t.Helper()
	var all []store.AuditRow
	for after := int64(0); ; {
		page, err := b.AuditEntries(t.Context(), store.AuditQuery{After: after, Limit: 3})
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		all = append(all, page...)
		after = page[len(page)-1].Sequence
	}
	for i, row := range all {
		require.Equal(t, int64(i+1), row.Sequence, "no gaps")
		require.NotZero(t, row.Chain)
		for j := range i {
			require.NotEqual(t, all[j].Chain, row.Chain)
		}
	}
	head, err := b.AuditHead(t.Context())
	require.NoError(t, err)
	if len(all) > 0 {
		assert.Equal(t, all[len(all)-1], head)
	} else {
		assert.Zero(t, head)
	}
	verify(t, b)
	return all
}

// verify lets engines that can verify their trail do so.
func verify(t *testing.T, b *bench) {
	t.Helper()
	if verifier, ok := b.Engine.(AuditVerifier); ok {
		head, err := verifier.VerifyAudit(t.Context())
		require.NoError(t, err)
		want, err := b.AuditHead(t.Context())
		require.NoError(t, err)
		assert.Equal(t, want, head)
	}
}

func auditOfChanges(t *testing.T, b *bench) {
	start := len(allAudit(t, b))
	sample := NewSample(ann)
	id := NewID()
	_, err := b.Change(t.Context(), store.ChangeRequest{
		Actor: store.Actor{Member: ann, TokenID: "t1", Method: "/lab/SubmitTrial"}, RequestID: id, BodyHash: hashOf("body"), Now: now,
		Apply: func(r trial.Records) ([]byte, error) { return nil, sample.Put(r) },
	})
	require.NoError(t, err)
	b.as(t, bo, "weighed again", now, setTitle(sample.Trial.ID, "weighed"))
	b.reopen(t)
	b.as(t, cai, "", now, setTitle(sample.Trial.ID, "opened again"))
	rows := allAudit(t, b)[start:]
	require.Len(t, rows, 3)
	at := now.UTC().Truncate(time.Microsecond)
	assert.Equal(t, store.AuditRow{
		Sequence: int64(start + 1), At: at, Actor: store.Actor{Member: ann, TokenID: "t1", Method: "/lab/SubmitTrial"}, Revision: 1,
		Subjects: []string{"bath " + sample.Baths[0].ID, "bath " + sample.Baths[1].ID, "trial " + sample.Trial.ID}, RequestHash: hashOf("body"), Chain: rows[0].Chain,
	}, rows[0])
	assert.Equal(t, store.AuditRow{
		Sequence: int64(start + 2), At: at, Actor: By(bo), Revision: 2, Subjects: []string{"trial " + sample.Trial.ID},
		RequestHash: hashOf("weighed again"), Reason: "weighed again", Chain: rows[1].Chain,
	}, rows[1])
	mine, err := b.AuditEntries(t.Context(), store.AuditQuery{Actor: bo, Limit: 10})
	require.NoError(t, err)
	assert.Equal(t, rows[1:2], mine)
	mine, err = b.AuditEntries(t.Context(), store.AuditQuery{Actor: bo, After: rows[1].Sequence, Limit: 10})
	require.NoError(t, err)
	assert.Empty(t, mine)
	_, err = b.AuditEntries(t.Context(), store.AuditQuery{})
	assert.ErrorIs(t, err, trial.ErrInvalid)
}

// AuditVerifier is what an engine may have to check its audit trail by.
type AuditVerifier = interface {
	VerifyAudit(ctx context.Context) (store.AuditRow, error)
}
