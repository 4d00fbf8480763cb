package sqlite

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// What the finder's trials are drawn from; few, so that they meet.
var (
	drawnMembers = []trial.MemberID{"ann", "bo", "cai"}
	drawnFibres  = []string{"wool", "silk", "Alpaca"}
	drawnTitles  = []string{"Yellow over blue", "yellow", "BLÅ garn", "x", "over", "low"}
	drawnSources = []string{"", "Old notebook"}
)

// drawTrial changes a sample as drawn.
func drawTrial(t *rapid.T, s *storetest.Sample) {
	pick := func(label string, n int) int { return rapid.IntRange(0, n-1).Draw(t, label) }
	s.Trial.Owner = drawnMembers[pick("owner", 3)]
	s.Trial.Title = drawnTitles[pick("title", len(drawnTitles))]
	s.Trial.State = trial.State(1 + pick("state", 4))
	s.Trial.Sharing.Level = trial.SharingLevel(1 + pick("sharing", 3))
	s.Trial.ImportSource = drawnSources[pick("source", 2)]
	for i := range s.Trial.Pieces {
		s.Trial.Pieces[i].Holder = append(drawnMembers, "")[pick("holder", 4)]
		s.Trial.Pieces[i].Fibre.Composition = []trial.FibrePart{{Fibre: drawnFibres[pick("fibre", 3)], Percent: 100}}
	}
}

func drawPredicate(t *rapid.T, depth int) store.Predicate {
	op := ""
	if depth > 0 {
		op = rapid.SampledFrom([]string{"", "", "and", "or", "not"}).Draw(t, "op")
	}
	if op == "" {
		field := rapid.SampledFrom(store.TrialSearchFields).Draw(t, "field")
		values := map[string][]string{
			"owner": {"ann", "BO", "nobody"}, "title": {"", "o", "over", "LOW", "blå", "zz", "yellow over blue!"},
			"state": {"planned", "Begun", "finished", "abandoned"}, "sharing": {"mine", "cooperative", "public"},
			"fibre": {"wool", "alpaca", "linen"}, "material": {"weld", "Indigo", "alum"}, "water": {"mill well", "no well"},
			"source": {"", "old notebook"}, "experiment": {"none"},
		}[field]
		return store.Predicate{Field: field, Value: rapid.SampledFrom(values).Draw(t, "value")}
	}
	p := store.Predicate{Op: op}
	n := 1
	if op != "not" {
		n = rapid.IntRange(1, 3).Draw(t, "parts")
	}
	for range n {
		p.Parts = append(p.Parts, drawPredicate(t, depth-1))
	}
	return p
}

// TestFinderAgreesWithTheFile puts and changes trials as drawn, some with ids from before, and holds every page that the finder gives to what the
// file gives.
func TestFinderAgreesWithTheFile(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		s := openIn(t, t.TempDir(), Config{})
		defer func() { require.NoError(r, s.Close()) }()
		storetest.AddMembers(t, s)
		var kept []*storetest.Sample
		for n := range rapid.IntRange(1, 8).Draw(r, "steps") {
			sample, make := storetest.NewSample("ann"), true
			if n > 0 && rapid.Bool().Draw(r, "again") {
				sample, make = rapid.SampledFrom(kept).Draw(r, "which"), false
			} else if rapid.Bool().Draw(r, "late") { // as from a phone that was off the net
				sample.Trial.ID = fmt.Sprintf("01000000-0000-7000-8000-%012d", 999-n)
				for i := range sample.Trial.Pieces {
					sample.Trial.Pieces[i].TrialID = sample.Trial.ID
				}
			}
			drawTrial(r, sample)
			sample.Trial.DeletedAt = time.Time{}
			if !make && rapid.Bool().Draw(r, "deleted") {
				sample.Trial.DeletedAt = time.Now()
			}
			_, err := s.Change(t.Context(), store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(records trial.Records) ([]byte, error) {
				if make {
					return nil, sample.Put(records)
				}
				return nil, records.PutTrial(sample.Trial, trial.Changed)
			}})
			require.NoError(r, err)
			if make {
				kept = append(kept, sample)
			}
			if n == 0 { // from here on it follows
				require.NoError(r, s.finder.catchUp(t.Context(), s, true))
			}
		}
		for range 6 {
			query := store.TrialQuery{Reader: rapid.SampledFrom(append(drawnMembers, "")).Draw(r, "reader"), Limit: rapid.IntRange(1, 9).Draw(r, "limit")}
			if rapid.Bool().Draw(r, "filtered") {
				where := drawPredicate(r, 3)
				query.Where = &where
			}
			if rapid.Bool().Draw(r, "further") {
				query.BeforeID = rapid.SampledFrom(kept).Draw(r, "before").Trial.ID
			}
			want, err := s.reader.ListTrials(t.Context(), query)
			require.NoError(r, err)
			got, found, err := s.findTrials(t.Context(), query)
			require.NoError(r, err)
			require.True(r, found)
			require.Equal(r, want, got, "%+v", query)
		}
	})
}

// TestFinderFindsManyTrials goes beyond what is sorted and what fits into one page of a set.
func TestFinderFindsManyTrials(t *testing.T) {
	const many = 4500
	f := newFinder()
	var want []uuid
	for i := range many {
		var id uuid
		id[6], id[7] = byte(i%251), byte(i/251) // not in the order of ids
		marks, err := marksOf("ann", trial.Cooperative, 1+i%4, "", nil, []term{{"fibre", "wool"}})
		require.NoError(t, err)
		f.put(id, fmt.Sprint("no. ", i), marks)
		if i%4 == 2 {
			want = append(want, id)
		}
	}
	slices.SortFunc(want, func(a, b uuid) int { return compareIDs(b, a) })
	where := &store.Predicate{Op: "and", Parts: []store.Predicate{{Field: "state", Value: "finished"}, {Field: "fibre", Value: "wool"}}}
	var got []uuid
	for before := ""; ; {
		page, err := f.page(store.TrialQuery{Reader: "bo", Where: where, BeforeID: before, Limit: 100}, nil)
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		got = append(got, page...)
		before = page[len(page)-1].String()
	}
	assert.Equal(t, want, got)
	page, err := f.page(store.TrialQuery{Reader: "bo", Where: &store.Predicate{Field: "title", Value: "no. 4321"}, Limit: 10}, nil)
	require.NoError(t, err)
	require.Len(t, page, 1)
	assert.Equal(t, "no. 4321", f.found[f.places[page[0]]].title)
}

// TestFinderFollowsByItself holds that lists don't wait for a finder that is far behind, and that it comes on by itself.
func TestFinderFollowsByItself(t *testing.T) {
	s := openIn(t, t.TempDir(), Config{})
	defer func() { require.NoError(t, s.Close()) }()
	storetest.AddMembers(t, s)
	for range 2 * finderBehind {
		require.NoError(t, submitTo(s, storetest.NewSmallSample("ann")))
	}
	page, err := s.ListTrials(t.Context(), store.TrialQuery{Reader: "ann", Limit: store.MaxPage})
	require.NoError(t, err)
	assert.Len(t, page, 2*finderBehind)
	require.Eventually(t, func() bool { return s.finder.taken() == s.Revision() }, time.Minute, 10*time.Millisecond)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = s.ListTrials(ctx, store.TrialQuery{Reader: "ann", Limit: 1})
	assert.ErrorIs(t, err, context.Canceled)
}

// A row that holds what none is written with is refused: the finder that meets it does not load, and what it is asked is read from the file.
func TestFinderRefusesDamagedRows(t *testing.T) {
	for _, change := range []string{
		`UPDATE trials SET sharing = 0`, `UPDATE trials SET sharing = 4`, `UPDATE trials SET sharing = -128`,
		`UPDATE trials SET state = 0`, `UPDATE trials SET state = 6`, `UPDATE trials SET state = -9223372036854775808`,
		`UPDATE trials SET id = x'00'`, `UPDATE trials SET id = zeroblob(17)`,
	} {
		t.Run(change, func(t *testing.T) {
			s := newStore(t, Config{})
			sample := storetest.NewSample("ann")
			require.NoError(t, submit(s, sample))
			spoil(t, s, `PRAGMA ignore_check_constraints = ON`)
			spoil(t, s, change)
			require.ErrorIs(t, newFinder().load(t.Context(), s), ErrCorrupt)
			if strings.Contains(change, "state") {
				require.ErrorIs(t, newFinder().take(t.Context(), s, sample.Trial.ID), ErrCorrupt)
			}
		})
	}
}
