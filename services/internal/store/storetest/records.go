package storetest

import (
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/piececode"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func recordComesBack(t *testing.T, b *bench) {
	sample := NewSample(ann)
	for i := range sample.Trial.Pieces {
		sample.Trial.Pieces[i].TrialID = sample.Trial.ID
	}
	result := b.must(t, sample.Put)
	assert.Equal(t, int64(1), result.Revision)
	assert.Equal(t, result.Revision, sample.Trial.Revision, "a put sets the record's revision")
	assert.Equal(t, sample.Trial, b.read(t, sample.Trial.ID))
	b.must(t, func(r trial.Records) error {
		kept, err := r.Trial(sample.Trial.ID)
		assert.Equal(t, sample.Trial, kept)
		return err
	})
	for _, bath := range sample.Baths {
		row, err := b.BathRow(t.Context(), bath.ID)
		require.NoError(t, err)
		assert.Equal(t, store.BathRow{ID: bath.ID, Owner: ann, Sharing: trial.Mine, Revision: 1, Body: row.Body}, row)
		kept, err := record.DecodeBath(row.Body)
		require.NoError(t, err)
		assert.Equal(t, bath, kept)
	}
	result = b.must(t, func(r trial.Records) error {
		kept, err := r.Trial(sample.Trial.ID)
		if err != nil {
			return err
		}
		kept.Title = "Blue over yellow"
		if err := r.PutTrial(kept, trial.Changed); err != nil {
			return err
		}
		again, err := r.Trial(sample.Trial.ID)
		assert.Equal(t, kept, again, "what was put is seen in the same change")
		bath, errBath := r.Bath(sample.Baths[0].ID)
		if errBath != nil {
			return errBath
		}
		bath.OpenToMembers = true
		return errors.Join(err, r.PutBath(bath, trial.Changed))
	})
	assert.Equal(t, int64(2), result.Revision)
	assert.Equal(t, "Blue over yellow", b.read(t, sample.Trial.ID).Title)
	row, err := b.BathRow(t.Context(), sample.Baths[0].ID)
	require.NoError(t, err)
	assert.True(t, row.OpenToMembers)
	assert.Equal(t, int64(2), row.Revision)
}

func timesToTheMicrosecond(t *testing.T, b *bench) {
	sample := NewSmallSample(ann)
	b.keep(t, sample)
	want := time.Date(2026, 5, 2, 7, 30, 0, 123456000, time.UTC)
	kept := b.read(t, sample.Trial.ID)
	assert.Equal(t, want, kept.CreatedAt)
	assert.Equal(t, want, kept.UpdatedAt)
	assert.Equal(t, want.UnixMicro(), b.allChanges(t)[0].At)
	m, err := b.Member(t.Context(), ann)
	require.NoError(t, err)
	assert.Equal(t, want, m.CreatedAt)
}

func notFound(t *testing.T, b *bench) {
	for _, id := range []trial.ID{NewID(), "", "no id", strings.ToUpper(NewID()), "3334X"} {
		_, err := b.TrialRow(t.Context(), id)
		assert.ErrorIs(t, err, trial.ErrNotFound, "trial %q", id)
		_, err = b.BathRow(t.Context(), id)
		assert.ErrorIs(t, err, trial.ErrNotFound, "bath %q", id)
		_, err = b.WaterSource(t.Context(), id)
		assert.ErrorIs(t, err, trial.ErrNotFound, "water %q", id)
		_, err = b.Experiment(t.Context(), id)
		assert.ErrorIs(t, err, trial.ErrNotFound, "experiment %q", id)
		_, err = b.TrialOfPiece(t.Context(), id)
		assert.ErrorIs(t, err, trial.ErrNotFound, "piece %q", id)
		has, err := b.HasPieceIn(t.Context(), id, ann)
		assert.NoError(t, err)
		assert.False(t, has)
		members, err := b.MembersWithPieceIn(t.Context(), id)
		assert.NoError(t, err)
		assert.Empty(t, members)
		b.must(t, func(r trial.Records) error {
			_, err := r.Trial(id)
			assert.ErrorIs(t, err, trial.ErrNotFound)
			_, err = r.Bath(id)
			assert.ErrorIs(t, err, trial.ErrNotFound)
			_, err = r.WaterSource(id)
			assert.ErrorIs(t, err, trial.ErrNotFound)
			_, err = r.Experiment(id)
			assert.ErrorIs(t, err, trial.ErrNotFound)
			_, err = r.TrialOfPiece(id)
			assert.ErrorIs(t, err, trial.ErrNotFound)
			refs, err := r.PartsOf(id)
			assert.NoError(t, err)
			assert.Empty(t, refs)
			refs, err = r.PiecesInBath(id)
			assert.NoError(t, err)
			assert.Empty(t, refs)
			return nil
		})
		for name, put := range map[string]func(trial.Records) error{
			"trial": func(r trial.Records) error { return r.PutTrial(&trial.Trial{ID: id}, trial.Changed) },
			"bath":  func(r trial.Records) error { return r.PutBath(&trial.Bath{ID: id}, trial.Changed) },
			"water": func(r trial.Records) error { return r.PutWaterSource(&trial.WaterSource{ID: id}, trial.Changed) },
		} {
			_, err := b.change(t, func(r trial.Records) ([]byte, error) { return nil, put(r) })
			assert.ErrorIs(t, err, trial.ErrNotFound, "put of %s %q", name, id)
		}
	}
	assert.Zero(t, b.Revision())
}

func idsAreUnique(t *testing.T, b *bench) {
	first := NewSample(ann)
	b.keep(t, first)
	source := &trial.WaterSource{ID: NewID(), Owner: ann, Name: "Mill well", Samples: []trial.WaterSample{{Entry: trial.Entry{ID: NewID()}}}}
	b.must(t, func(r trial.Records) error { return r.CreateWaterSource(source) })
	before := b.Revision()

	for name, spoil := range map[string]func(s *Sample){
		"trial":                   func(s *Sample) { s.Trial.ID = first.Trial.ID },
		"bath":                    func(s *Sample) { s.Baths[0].ID = first.Baths[0].ID },
		"session":                 func(s *Sample) { s.Trial.Sessions[0].ID = first.Trial.Sessions[0].ID },
		"piece":                   func(s *Sample) { s.Trial.Pieces[3].ID = first.Trial.Pieces[0].ID },
		"immersion":               func(s *Sample) { s.Trial.Immersions[2].ID = first.Trial.Immersions[5].ID },
		"look":                    func(s *Sample) { s.Trial.Looks[0].ID = first.Trial.Looks[0].ID },
		"reading":                 func(s *Sample) { s.Trial.Readings[6].ID = first.Trial.Readings[0].ID },
		"addition":                func(s *Sample) { s.Baths[1].Additions[0].ID = first.Baths[0].Additions[1].ID },
		"reading like addition":   func(s *Sample) { s.Trial.Readings[6].ID = first.Baths[0].Additions[0].ID },
		"look like water sample":  func(s *Sample) { s.Trial.Looks[0].ID = source.Samples[0].ID },
		"twice in the trial":      func(s *Sample) { s.Trial.Looks[0].ID = s.Trial.Readings[0].ID },
		"twice in the bath":       func(s *Sample) { s.Baths[0].Additions[0].ID = s.Baths[0].Additions[1].ID },
		"in the trial's own bath": func(s *Sample) { s.Trial.Looks[0].ID = s.Baths[1].Additions[0].ID },
		"code":                    func(s *Sample) { s.Trial.Pieces[0].Code, s.Trial.Pieces[1].Code = "3334X", "3334X" },
	} {
		sample := NewSample(bo)
		spoil(sample)
		_, err := b.change(t, func(r trial.Records) ([]byte, error) { return nil, sample.Put(r) })
		assert.ErrorIs(t, err, trial.ErrExists, name)
		if sample.Trial.ID != first.Trial.ID {
			_, err = b.TrialRow(t.Context(), sample.Trial.ID)
			assert.ErrorIs(t, err, trial.ErrNotFound, "%s: nothing is left behind", name)
		}
	}
	_, err := b.change(t, func(r trial.Records) ([]byte, error) {
		return nil, r.CreateWaterSource(&trial.WaterSource{ID: NewID(), Owner: bo, Name: "mill WELL"})
	})
	assert.ErrorIs(t, err, trial.ErrExists, "a water's name, whatever its case")

	named := NewSmallSample(ann)
	named.Trial.Looks = []trial.Look{{Entry: trial.Entry{ID: first.Trial.Looks[2].ID}, Text: "again"}}
	_, err = b.change(t, func(r trial.Records) ([]byte, error) { return nil, named.Put(r) })
	assert.ErrorContains(t, err, first.Trial.Looks[2].ID, "the id is named")

	bad := NewSmallSample(ann)
	bad.Trial.ID = strings.ToUpper(bad.Trial.ID)
	_, err = b.change(t, func(r trial.Records) ([]byte, error) { return nil, bad.Put(r) })
	assert.ErrorIs(t, err, trial.ErrInvalid, "an id has one spelling")
	assert.Equal(t, before, b.Revision())
}

func failedPutUndoes(t *testing.T, b *bench) {
	good, bad := NewSample(ann), NewSample(ann)
	bad.Trial.Readings[3].ID = good.Trial.Readings[3].ID
	_, err := b.change(t, func(r trial.Records) ([]byte, error) {
		if err := good.Put(r); err != nil {
			return nil, err
		}
		assert.ErrorIs(t, bad.Put(r), trial.ErrExists)
		return []byte("as if nothing were amiss"), nil
	})
	assert.ErrorIs(t, err, trial.ErrExists)
	_, err = b.TrialRow(t.Context(), good.Trial.ID)
	assert.ErrorIs(t, err, trial.ErrNotFound)
	assert.Empty(t, b.allChanges(t))

	unknown := NewSmallSample("nobody")
	_, err = b.change(t, func(r trial.Records) ([]byte, error) { return nil, unknown.Put(r) })
	assert.ErrorIs(t, err, trial.ErrNotFound, "an owner who is no member")
	noState := NewSmallSample(ann)
	noState.Trial.State = 0
	_, err = b.change(t, func(r trial.Records) ([]byte, error) { return nil, noState.Put(r) })
	assert.ErrorIs(t, err, trial.ErrInvalid, "a state out of its range")
}

func putsMoveTheIndex(t *testing.T, b *bench) {
	sample := NewSample(ann)
	b.keep(t, sample)
	id, vat := sample.Trial.ID, sample.Baths[1]
	moved := sample.Trial.Pieces[3]
	spare := NewID()
	b.must(t, func(r trial.Records) error {
		kept, err := r.Trial(id)
		if err != nil {
			return err
		}
		kept.Pieces[3].Holder = bo
		kept.Pieces[3].Code = "33333"
		kept.Immersions[5].Superseded = true // the vat of piece 3
		kept.Pieces[3].Route.Layers = nil
		kept.Looks = append(kept.Looks, trial.Look{Entry: trial.Entry{ID: spare}, PieceID: moved.ID, Text: "arrived"})
		kept.Sharing = trial.Sharing{Level: trial.Cooperative}
		return r.PutTrial(kept, trial.Shared)
	})
	row, err := b.TrialRow(t.Context(), id)
	require.NoError(t, err)
	assert.Equal(t, []trial.MemberID{bo}, row.Holders)
	assert.Equal(t, trial.Cooperative, row.Sharing)
	ref, err := b.TrialOfPiece(t.Context(), "33333")
	require.NoError(t, err)
	assert.Equal(t, trial.PieceRef{PieceID: moved.ID, TrialID: id}, ref)
	b.must(t, func(r trial.Records) error {
		refs, err := r.PiecesInBath(vat.ID)
		assert.Len(t, refs, 2, "a superseded immersion counts no more")
		return err
	})
	has, err := b.HasPieceIn(t.Context(), vat.ID, bo)
	require.NoError(t, err)
	assert.False(t, has)
	members, err := b.MembersWithPieceIn(t.Context(), vat.ID)
	require.NoError(t, err)
	assert.NotContains(t, members, bo)
	assert.Contains(t, members, ann)

	b.must(t, func(r trial.Records) error {
		kept, err := r.Trial(id)
		if err != nil {
			return err
		}
		kept.Pieces[3].Holder = cai
		kept.Pieces[2].Holder = bo
		kept.Looks = kept.Looks[:4]
		return r.PutTrial(kept, trial.Changed)
	})
	row, err = b.TrialRow(t.Context(), id)
	require.NoError(t, err)
	assert.Equal(t, []trial.MemberID{bo, cai}, row.Holders)
	other := NewSmallSample(bo)
	other.Trial.Looks = []trial.Look{{Entry: trial.Entry{ID: spare}, Text: "the id is free again"}}
	b.keep(t, other)

	b.must(t, func(r trial.Records) error { // a second put in one change starts from the first
		kept, err := r.Trial(id)
		if err != nil {
			return err
		}
		kept.Pieces[2].Holder, kept.Pieces[3].Holder = ann, ann
		kept.Pieces = append(kept.Pieces, newPiece(ann, "fifth"))
		if err := r.PutTrial(kept, trial.Changed); err != nil {
			return err
		}
		kept.Pieces[4].Holder = cai
		return r.PutTrial(kept, trial.RoutesChanged)
	})
	row, err = b.TrialRow(t.Context(), id)
	require.NoError(t, err)
	assert.Equal(t, []trial.MemberID{cai}, row.Holders)
	changes := b.allChanges(t)
	assert.Equal(t, trial.Changed, changes[len(changes)-1].Kind, "the more telling kind of the two")
}

func partsAndBaths(t *testing.T, b *bench) {
	sample := NewSample(ann)
	parent := sample.Trial.Pieces[0].ID
	b.keep(t, sample)
	other := NewSmallSample(bo)
	for range 2 {
		part := newPiece(bo, "part")
		part.Origin = trial.Origin{Kind: trial.Taken, ParentID: parent, AfterPosition: 1}
		other.Trial.Pieces = append(other.Trial.Pieces, part)
	}
	b.keep(t, other)
	parts := []trial.PieceRef{
		{PieceID: other.Trial.Pieces[0].ID, TrialID: other.Trial.ID},
		{PieceID: other.Trial.Pieces[1].ID, TrialID: other.Trial.ID},
	}
	b.must(t, func(r trial.Records) error {
		refs, err := r.PartsOf(parent)
		assert.Equal(t, parts, refs)
		if err != nil {
			return err
		}
		of, err := r.TrialOfPiece(parent)
		assert.Equal(t, sample.Trial.ID, of)
		if err != nil {
			return err
		}
		refs, err = r.PiecesInBath(sample.Baths[0].ID)
		want := []trial.PieceRef{}
		for _, i := range []int{0, 1, 2} {
			want = append(want, trial.PieceRef{PieceID: sample.Trial.Pieces[i].ID, TrialID: sample.Trial.ID})
		}
		assert.Equal(t, want, refs)
		return err
	})
	ref, err := b.TrialOfPiece(t.Context(), parts[1].PieceID)
	require.NoError(t, err)
	assert.Equal(t, parts[1], ref)

	orphan := NewSmallSample(ann)
	orphan.Trial.Pieces = []trial.Piece{newPiece(ann, "of nothing")}
	orphan.Trial.Pieces[0].Origin = trial.Origin{Kind: trial.Split, ParentID: NewID()}
	_, err = b.change(t, func(r trial.Records) ([]byte, error) { return nil, orphan.Put(r) })
	assert.ErrorIs(t, err, trial.ErrNotFound, "a part of a piece that isn't there")
	stray := NewSample(ann)
	stray.Trial.Immersions[0].BathID = NewID()
	_, err = b.change(t, func(r trial.Records) ([]byte, error) { return nil, stray.Put(r) })
	assert.ErrorIs(t, err, trial.ErrNotFound, "an immersion in a bath that isn't there")

	backwards := NewSample(ann) // the trial before its baths, parts before their parents
	backwards.Trial.Pieces[0].Origin = trial.Origin{Kind: trial.Split, ParentID: backwards.Trial.Pieces[3].ID}
	b.must(t, func(r trial.Records) error {
		if err := r.CreateTrial(backwards.Trial); err != nil {
			return err
		}
		return errors.Join(r.CreateBath(backwards.Baths[0]), r.CreateBath(backwards.Baths[1]))
	})
}

func watersAndExperiments(t *testing.T, b *bench) {
	var sources []*trial.WaterSource
	var experiments []*trial.Experiment
	for _, name := range []string{"Mill well", "Rain butt", "Tap"} {
		sources = append(sources, &trial.WaterSource{ID: NewID(), Owner: ann, Name: name, Place: "behind the house"})
		experiments = append(experiments, &trial.Experiment{ID: NewID(), Owner: bo, Title: name, FirstDye: "weld", SecondDye: "indigo", ClosingSessions: 6})
		b.must(t, func(r trial.Records) error {
			return errors.Join(r.CreateWaterSource(sources[len(sources)-1]), r.CreateExperiment(experiments[len(experiments)-1]))
		})
	}
	hardness := 212.5
	sample := trial.WaterSample{Entry: trial.Entry{ID: NewID()}, HardnessMgPerL: &hardness}
	b.must(t, func(r trial.Records) error {
		kept, err := r.WaterSource(sources[1].ID)
		if err != nil {
			return err
		}
		kept.Samples = append(kept.Samples, sample)
		return r.PutWaterSource(kept, trial.Changed)
	})
	one, err := b.WaterSource(t.Context(), sources[1].ID)
	require.NoError(t, err)
	assert.Equal(t, int64(4), one.Revision)
	require.Len(t, one.Samples, 1)
	assert.Equal(t, sample.HardnessMgPerL, one.Samples[0].HardnessMgPerL)
	experiment, err := b.Experiment(t.Context(), experiments[2].ID)
	require.NoError(t, err)
	assert.Equal(t, experiments[2], experiment)

	page, err := b.WaterSources(t.Context(), store.RecordQuery{Limit: 2})
	require.NoError(t, err)
	require.Len(t, page, 2)
	assert.Equal(t, []string{"Tap", "Rain butt"}, []string{page[0].Name, page[1].Name})
	page, err = b.WaterSources(t.Context(), store.RecordQuery{BeforeID: page[1].ID, Limit: 2})
	require.NoError(t, err)
	require.Len(t, page, 1)
	assert.Equal(t, "Mill well", page[0].Name)
	all, err := b.Experiments(t.Context(), store.RecordQuery{Limit: 10})
	require.NoError(t, err)
	require.Len(t, all, 3)
	assert.Equal(t, experiments[0].ID, all[2].ID)
	_, err = b.Experiments(t.Context(), store.RecordQuery{})
	assert.ErrorIs(t, err, trial.ErrInvalid)
}

func importLinks(t *testing.T, b *bench) {
	link := trial.ImportLink{RecordID: NewID(), TrialID: NewID(), ContentHash: hashOf("row")}
	result := b.must(t, func(r trial.Records) error {
		return errors.Join(
			r.PutImportLink(ann, "notebook", trial.ImportRowKey, "7", link),
			r.PutImportLink(ann, "notebook", trial.ImportTrialKey, "7", trial.ImportLink{TrialID: link.TrialID}),
		)
	})
	assert.Zero(t, result.Revision, "no record was put")
	b.must(t, func(r trial.Records) error {
		for _, miss := range []func() (trial.ImportLink, error){
			func() (trial.ImportLink, error) { return r.ImportLink(bo, "notebook", trial.ImportRowKey, "7") },
			func() (trial.ImportLink, error) { return r.ImportLink(ann, "Notebook", trial.ImportRowKey, "7") },
			func() (trial.ImportLink, error) { return r.ImportLink(ann, "notebook", trial.ImportPieceKey, "7") },
			func() (trial.ImportLink, error) { return r.ImportLink(ann, "notebook", trial.ImportRowKey, "07") },
		} {
			_, err := miss()
			assert.ErrorIs(t, err, trial.ErrNotFound)
		}
		kept, err := r.ImportLink(ann, "notebook", trial.ImportRowKey, "7")
		assert.Equal(t, link, kept)
		if err != nil {
			return err
		}
		kept.ContentHash = hashOf("another")
		return r.PutImportLink(ann, "notebook", trial.ImportRowKey, "7", kept)
	})
	b.must(t, func(r trial.Records) error {
		kept, err := r.ImportLink(ann, "notebook", trial.ImportRowKey, "7")
		assert.Equal(t, hashOf("another"), kept.ContentHash)
		if err != nil {
			return err
		}
		kept, err = r.ImportLink(ann, "notebook", trial.ImportTrialKey, "7")
		assert.Equal(t, trial.ImportLink{TrialID: link.TrialID}, kept)
		return err
	})
}

func pieceCodes(t *testing.T, b *bench) {
	var mu sync.Mutex
	var callers sync.WaitGroup
	seen := map[string]bool{}
	for n := range 16 {
		callers.Go(func() {
			var mine []string
			_, err := b.change(t, func(r trial.Records) ([]byte, error) {
				mine = mine[:0]
				for range 3 {
					code, err := r.NewPieceCode()
					if err != nil {
						return nil, err
					}
					mine = append(mine, code)
				}
				if n%4 == 0 {
					return nil, errors.New("changed my mind")
				}
				return nil, nil
			})
			if err != nil {
				return
			}
			mu.Lock()
			defer mu.Unlock()
			for _, code := range mine {
				assert.True(t, piececode.Valid(code), code)
				assert.False(t, seen[code], "code %s was given twice", code)
				seen[code] = true
			}
		})
	}
	callers.Wait()
	assert.Len(t, seen, 36)
	sample := NewSmallSample(ann)
	sample.Trial.Pieces = []trial.Piece{newPiece(ann, "")}
	b.reopen(t)
	b.must(t, func(r trial.Records) (err error) {
		if sample.Trial.Pieces[0].Code, err = r.NewPieceCode(); err != nil {
			return err
		}
		return sample.Put(r)
	})
	code := sample.Trial.Pieces[0].Code
	assert.False(t, seen[code], "code %s was given before the engine was opened again", code)
	for _, written := range []string{code, strings.ToLower(code), " " + code[:2] + "-" + code[2:]} {
		ref, err := b.TrialOfPiece(t.Context(), written)
		require.NoError(t, err, written)
		assert.Equal(t, sample.Trial.Pieces[0].ID, ref.PieceID)
	}
}

func recordsEnd(t *testing.T, b *bench) {
	var kept trial.Records
	b.must(t, func(r trial.Records) error {
		kept = r
		return nil
	})
	assert.Error(t, NewSmallSample(ann).Put(kept))
	_, err := kept.NewPieceCode()
	assert.Error(t, err)
	_, err = kept.MemberExists(ann)
	assert.Error(t, err)
	b.must(t, func(r trial.Records) error {
		is, err := r.MemberExists(ann)
		assert.True(t, is)
		if err != nil {
			return err
		}
		is, err = r.MemberExists("nobody")
		assert.False(t, is)
		return err
	})
	assert.Zero(t, b.Revision())
}
