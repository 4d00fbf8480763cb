package storetest

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// orderOfLists: ids in the order of their bytes, descending, whatever the order in which they came; members by their bytes.
func orderOfLists(t *testing.T, b *bench) {
	ids := []trial.ID{
		"9fffffff-ffff-4fff-bfff-ffffffffffff", "a0000000-0000-4000-8000-000000000000", "00000000-0000-4000-8000-000000000000",
		"ffffffff-ffff-4fff-bfff-fffffffffffe", "7fffffff-ffff-4fff-bfff-ffffffffffff", "80000000-0000-4000-8000-000000000000",
	}
	for _, id := range ids {
		sample := NewSmallSample(ann)
		sample.Trial.ID = id
		sample.Trial.Sharing.Level = trial.Cooperative
		b.keep(t, sample)
		b.must(t, func(r trial.Records) error {
			return r.CreateBath(&trial.Bath{ID: id, Owner: ann, Purposes: []trial.Purpose{trial.DyeBath}, Sharing: trial.Sharing{Level: trial.Mine}})
		})
	}
	up := slices.Sorted(slices.Values(ids))
	down := slices.Clone(up)
	slices.Reverse(down)
	page, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, Limit: 10})
	require.NoError(t, err)
	assert.Equal(t, down, trialIDs(page))
	page, err = b.SharedTrials(t.Context(), "", 10)
	require.NoError(t, err)
	assert.Equal(t, up, trialIDs(page))
	baths, err := b.ListBaths(t.Context(), store.BathQuery{Reader: ann, Limit: 10})
	require.NoError(t, err)
	assert.Equal(t, down, bathIDs(baths))

	want := []trial.MemberID{"Zoe", "a-b", "a_b", "ab", ann, bo, cai, "zoe", "é", "ﬀ", "𝛼"} // U+FB00 before U+1D6FC: not so in UTF-16
	for _, id := range want {
		if !slices.Contains([]trial.MemberID{ann, bo, cai}, id) {
			require.NoError(t, b.CreateMember(t.Context(), By(ann), store.MemberRow{ID: id, CreatedAt: now}))
		}
	}
	members, err := b.Members(t.Context())
	require.NoError(t, err)
	var got []trial.MemberID
	for _, m := range members {
		got = append(got, m.ID)
	}
	assert.Equal(t, want, got)
}

func bathIDs(rows []store.BathRow) []trial.ID {
	ids := []trial.ID{}
	for _, row := range rows {
		ids = append(ids, row.ID)
	}
	return ids
}

func caseFolding(t *testing.T, b *bench) {
	for title, searches := range map[string][]string{
		"Weld over INDIGO":    {"weld OVER", "indigo", "WELD over indigo"},
		"KÜPE Ærø ÇIVIT ŽLUŤ": {"küpe", "ÆRØ", "çivit", "žluť", "ŽLUŤ"},
		"ΙΝΔΙΚΌ ИНДИГО":       {"ινδικό", "индиго", "Индиго"},
		"藍染め 100_% \\d":       {"藍染め", "100_%", "\\D"},
	} {
		sample := NewSmallSample(ann)
		sample.Trial.Title = title
		b.keep(t, sample)
		for _, text := range searches {
			where := is("title", text)
			page, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, Where: &where, Limit: 10})
			require.NoError(t, err)
			assert.Equal(t, []trial.ID{sample.Trial.ID}, trialIDs(page), "%q is found by %q", title, text)
		}
	}
	for _, text := range []string{"kupe", "100x%", "weld  over", "_____"} {
		where := is("title", text)
		page, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, Where: &where, Limit: 10})
		require.NoError(t, err)
		assert.Empty(t, page, "by %q", text)
	}
}

func numbersKept(t *testing.T, b *bench) {
	sample := NewSample(ann)
	values := []float64{
		0.1, 1.0 / 3, 12345678901234567, math.MaxFloat64, math.SmallestNonzeroFloat64, math.Nextafter(1, 2), -1e-300, 5e-324, 0.30000000000000004,
	}
	sample.Trial.Readings[0].Raw.Spectrum.Reflectance = values
	for i := range sample.Trial.Pieces {
		sample.Trial.Pieces[i].TrialID = sample.Trial.ID
	}
	b.keep(t, sample)
	b.reopen(t)
	assert.Equal(t, values, b.read(t, sample.Trial.ID).Readings[0].Raw.Spectrum.Reflectance)

	// The whole range of a count of microseconds that a time can have on the wire (years 1 to 9999).
	for _, at := range []time.Time{
		time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(1969, 12, 31, 23, 59, 59, 999999000, time.UTC),
		time.Date(9999, 12, 31, 23, 59, 59, 999999000, time.UTC),
	} {
		small := NewSmallSample(ann)
		b.as(t, ann, "", at.Add(999), small.Put)
		assert.Equal(t, at, b.read(t, small.Trial.ID).CreatedAt, "cut to the microsecond, never rounded up")
		changes := b.allChanges(t)
		assert.Equal(t, at.UnixMicro(), changes[len(changes)-1].At)
		head, err := b.AuditHead(t.Context())
		require.NoError(t, err)
		assert.Equal(t, at, head.At)
	}
	for _, micros := range []int64{math.MinInt64, math.MaxInt64} {
		at := time.UnixMicro(micros).UTC()
		id := strings.Repeat("m", 1+int(uint64(micros)>>63))
		require.NoError(t, b.CreateMember(t.Context(), By(ann), store.MemberRow{ID: id, CreatedAt: at}))
		m, err := b.Member(t.Context(), id)
		require.NoError(t, err)
		assert.Equal(t, at, m.CreatedAt)
	}
	for _, after := range []int64{math.MaxInt64, math.MaxInt64 - 1} {
		changes, err := b.Changes(t.Context(), after, 10)
		require.NoError(t, err)
		assert.Empty(t, changes)
		rows, err := b.AuditEntries(t.Context(), store.AuditQuery{After: after, Limit: 10})
		require.NoError(t, err)
		assert.Empty(t, rows)
	}
	_, err := b.Version(t.Context(), trial.TrialRecord, sample.Trial.ID, math.MaxInt64)
	assert.ErrorIs(t, err, trial.ErrNotFound)
	verify(t, b)
}

func staleChange(t *testing.T, b *bench) {
	sample := NewSample(ann)
	b.keep(t, sample)
	before, audit := b.read(t, sample.Trial.ID), allAudit(t, b)
	id := NewID()
	ask := func(stale bool) error {
		_, err := b.Change(t.Context(), store.ChangeRequest{Actor: By(ann), RequestID: id, Now: now, Apply: func(r trial.Records) ([]byte, error) {
			if err := setTitle(sample.Trial.ID, "too late")(r); err != nil || !stale {
				return nil, err
			}
			return nil, &trial.StaleError{Kind: trial.TrialRecord, ID: sample.Trial.ID, Given: "1", Current: "2"}
		}})
		return err
	}
	err := ask(true)
	require.ErrorIs(t, err, trial.ErrStale)
	var stale *trial.StaleError
	require.ErrorAs(t, err, &stale)
	assert.Equal(t, "2", stale.Current)
	assert.Equal(t, before, b.read(t, sample.Trial.ID))
	assert.Equal(t, audit, allAudit(t, b))
	assert.Equal(t, int64(1), b.Revision())
	versions, err := b.Versions(t.Context(), trial.TrialRecord, sample.Trial.ID, 0, 10)
	require.NoError(t, err)
	assert.Len(t, versions, 1)
	require.NoError(t, ask(false), "its request id is free")
}

func bathSearch(t *testing.T, b *bench) {
	well := &trial.WaterSource{ID: NewID(), Owner: ann, Name: "Mühlbrunnen"}
	b.must(t, func(r trial.Records) error { return r.CreateWaterSource(well) })
	pot := func(owner trial.MemberID, label string, purpose trial.Purpose, materials ...string) *trial.Bath {
		bath := &trial.Bath{
			ID: NewID(), Owner: owner, Label: label, Purposes: []trial.Purpose{purpose}, Sharing: trial.Sharing{Level: trial.Cooperative},
		}
		for _, material := range materials {
			bath.Additions = append(bath.Additions, addition(material, trial.Dye, 1))
		}
		b.must(t, func(r trial.Records) error { return r.CreateBath(bath) })
		return bath
	}
	other := NewID()
	weld := pot(ann, "Großer TOPF 1_%", trial.DyeBath, "weld", "chalk")
	alum := pot(bo, "small pot", trial.MordantBath, "alum")
	vat := pot(cai, "Vat", trial.Vat, "indigo")
	hidden := pot(bo, "small pot too", trial.Scour, "soda")
	b.must(t, func(r trial.Records) error {
		for bath, change := range map[*trial.Bath]func(*trial.Bath){
			weld: func(k *trial.Bath) {
				k.Water = []trial.WaterPart{{SourceID: other, Parts: 1}, {SourceID: well.ID, Parts: 2}}
				k.Additions[1].Superseded = true
			},
			alum:   func(k *trial.Bath) { k.Sharing = trial.Sharing{Level: trial.Public, Licence: "CC0-1.0"} },
			vat:    func(k *trial.Bath) { k.OpenToMembers, k.Purposes = true, append(k.Purposes, trial.DyeBath) },
			hidden: func(k *trial.Bath) { k.Sharing.Level = trial.Mine },
		} {
			kept, err := r.Bath(bath.ID)
			if err != nil {
				return err
			}
			change(kept)
			if err := r.PutBath(kept, trial.Changed); err != nil {
				return err
			}
		}
		return nil
	})
	for _, test := range []struct {
		where store.Predicate
		found []*trial.Bath // newest first
	}{
		{is("owner", "ANN"), []*trial.Bath{weld}},
		{is("owner", "a"), nil},
		{is("label", "großer"), []*trial.Bath{weld}},
		{is("label", "topf 1_%"), []*trial.Bath{weld}},
		{is("label", "POT"), []*trial.Bath{alum}},
		{is("label", "____"), nil},
		{is("purpose", "Dye"), []*trial.Bath{vat, weld}},
		{is("purpose", "vat"), []*trial.Bath{vat}},
		{is("purpose", "rinse"), nil},
		{is("material", "Weld"), []*trial.Bath{weld}},
		{is("material", "chalk"), nil},
		{is("material", "soda"), nil},
		{is("material", "' OR 1=1 --"), nil},
		{is("water", well.ID), []*trial.Bath{weld}},
		{is("water", other), []*trial.Bath{weld}},
		{is("water", "mühlBRUNNEN"), []*trial.Bath{weld}},
		{is("water", "Mühl"), nil},
		{is("sharing", "public"), []*trial.Bath{alum}},
		{is("sharing", "Cooperative"), []*trial.Bath{vat, weld}},
		{is("open", "YES"), []*trial.Bath{vat}},
		{is("open", "no"), []*trial.Bath{alum, weld}},
		{combine("and", is("purpose", "dye"), combine("not", is("open", "yes"))), []*trial.Bath{weld}},
		{combine("or", is("material", "alum"), is("material", "indigo")), []*trial.Bath{vat, alum}},
	} {
		page, err := b.ListBaths(t.Context(), store.BathQuery{Reader: ann, Where: &test.where, Limit: 10})
		require.NoError(t, err, "%+v", test.where)
		want := []trial.ID{}
		for _, bath := range test.found {
			want = append(want, bath.ID)
		}
		assert.Equal(t, want, bathIDs(page), "%+v", test.where)
	}
	b.must(t, func(r trial.Records) error {
		baths, err := r.BathsWithWater(well.ID)
		assert.Equal(t, []trial.ID{weld.ID}, baths)
		return err
	})
}

func bathSearchRefused(t *testing.T, b *bench) {
	for text, where := range map[string]store.Predicate{
		`"title"`:   is("title", "green"),
		`"b.owner"`: is("b.owner", ann),
		`""`:        {},
		`"xor"`:     combine("xor", is("owner", ann)),
		"boiling":   is("purpose", "boiling"),
		"modifier":  is("purpose", "boiling"), // the allowed ones are named
		"maybe":     is("open", "maybe"),
		"everybody": is("sharing", "everybody"),
		"more than": combine("or", slices.Repeat([]store.Predicate{is("owner", ann)}, store.MaxPredicateNodes)...),
	} {
		_, err := b.ListBaths(t.Context(), store.BathQuery{Reader: ann, Where: &where, Limit: 10})
		var fault *trial.FieldFault
		if assert.ErrorAs(t, err, &fault, text) {
			assert.Equal(t, "filter", fault.Field)
			assert.Contains(t, fault.Text, text)
		}
	}
	_, err := b.ListBaths(t.Context(), store.BathQuery{Reader: ann, BeforeID: "yesterday", Limit: 10})
	assert.ErrorIs(t, err, trial.ErrInvalid)
}

func deletedRecords(t *testing.T, b *bench) {
	gone, kept, others := NewSample(ann), NewSample(ann), NewSample(bo)
	for _, sample := range []*Sample{gone, kept, others} {
		sample.Trial.Sharing.Level = trial.Cooperative
	}
	gone.Trial.Pieces[0].Holder = cai
	gone.Trial.Sessions[0].ExperimentID = NewID()
	b.keep(t, gone, kept, others)
	well := &trial.WaterSource{ID: NewID(), Owner: ann, Name: "Mill well"}
	question := &trial.Experiment{ID: NewID(), Owner: ann, Title: "which first", FirstDye: "weld", SecondDye: "indigo", ClosingSessions: 6}
	b.must(t, func(r trial.Records) error {
		if err := r.CreateWaterSource(well); err != nil {
			return err
		}
		return r.CreateExperiment(question)
	})
	set := func(at time.Time, kind trial.ChangeKind) {
		b.must(t, func(r trial.Records) error {
			one, err := r.Trial(gone.Trial.ID)
			if err != nil {
				return err
			}
			bath, err := r.Bath(kept.Baths[0].ID)
			if err != nil {
				return err
			}
			water, err := r.WaterSource(well.ID)
			if err != nil {
				return err
			}
			asked, err := r.Experiment(question.ID)
			if err != nil {
				return err
			}
			one.DeletedAt, bath.DeletedAt, water.DeletedAt, asked.DeletedAt = at, at, at, at
			for _, put := range []func() error{
				func() error { return r.PutTrial(one, kind) }, func() error { return r.PutBath(bath, kind) },
				func() error { return r.PutWaterSource(water, kind) }, func() error { return r.PutExperiment(asked, kind) },
			} {
				if err := put(); err != nil {
					return err
				}
			}
			return nil
		})
	}
	trials := func(query store.TrialQuery) []trial.ID {
		query.Limit = 10
		page, err := b.ListTrials(t.Context(), query)
		require.NoError(t, err)
		return trialIDs(page)
	}
	baths := func(query store.BathQuery) []trial.ID {
		query.Limit = 10
		page, err := b.ListBaths(t.Context(), query)
		require.NoError(t, err)
		return bathIDs(page)
	}
	small := func(query store.RecordQuery) int {
		query.Limit = 10
		waters, err := b.WaterSources(t.Context(), query)
		require.NoError(t, err)
		asked, err := b.Experiments(t.Context(), query)
		require.NoError(t, err)
		assert.Len(t, asked, len(waters))
		return len(waters)
	}
	has := func(member trial.MemberID) bool {
		is, err := b.HasPieceIn(t.Context(), gone.Baths[0].ID, member)
		require.NoError(t, err)
		members, err := b.MembersWithPieceIn(t.Context(), gone.Baths[0].ID)
		require.NoError(t, err)
		assert.Equal(t, is, slices.Contains(members, member))
		return is
	}
	require.True(t, has(cai))
	at := now.Add(time.Hour).UTC().Truncate(time.Microsecond)
	set(at, trial.Deleted)

	none := []trial.ID{}
	both := []trial.ID{others.Trial.ID, kept.Trial.ID}
	yes := is("owner", ann)
	assert.Equal(t, both, trials(store.TrialQuery{Reader: ann}))
	assert.Equal(t, both[1:], trials(store.TrialQuery{Reader: ann, Where: &yes}), "search leaves them out")
	assert.Equal(t, both, trials(store.TrialQuery{Reader: cai}), "also for who holds a piece")
	assert.Equal(t, []trial.ID{gone.Trial.ID}, trials(store.TrialQuery{Reader: ann, Deleted: true}))
	assert.Equal(t, none, trials(store.TrialQuery{Reader: bo, Deleted: true}), "one's own alone")
	assert.Equal(t, none, trials(store.TrialQuery{Reader: cai, Deleted: true}))
	assert.Equal(t, none, trials(store.TrialQuery{Reader: ann, Deleted: true, BeforeID: gone.Trial.ID}))
	shared, err := b.SharedTrials(t.Context(), "", 10)
	require.NoError(t, err)
	assert.Equal(t, []trial.ID{kept.Trial.ID, others.Trial.ID}, trialIDs(shared))
	row, err := b.TrialRow(t.Context(), gone.Trial.ID)
	require.NoError(t, err, "a deleted one can be read by its id")
	assert.True(t, row.Deleted)
	assert.Equal(t, at, b.read(t, gone.Trial.ID).DeletedAt)

	assert.False(t, has(cai), "pieces of deleted trials don't count")
	assert.True(t, func() bool { is, err := b.HasPieceIn(t.Context(), kept.Baths[1].ID, ann); return is && err == nil }())
	assert.Equal(t, none, baths(store.BathQuery{Reader: cai}))
	assert.Equal(t, []trial.ID{kept.Baths[1].ID, gone.Baths[1].ID, gone.Baths[0].ID}, baths(store.BathQuery{Reader: ann}))
	assert.Equal(t, []trial.ID{kept.Baths[0].ID}, baths(store.BathQuery{Reader: ann, Deleted: true}))
	assert.Equal(t, none, baths(store.BathQuery{Reader: bo, Deleted: true}))
	bathRow, err := b.BathRow(t.Context(), kept.Baths[0].ID)
	require.NoError(t, err)
	assert.True(t, bathRow.Deleted)
	bath, err := record.DecodeBath(bathRow.Body)
	require.NoError(t, err)
	assert.Equal(t, at, bath.DeletedAt)

	assert.Equal(t, 0, small(store.RecordQuery{}))
	assert.Equal(t, 1, small(store.RecordQuery{DeletedOf: ann}))
	assert.Equal(t, 0, small(store.RecordQuery{DeletedOf: bo}))
	assert.Equal(t, 0, small(store.RecordQuery{DeletedOf: ann, BeforeID: well.ID}))
	_, err = b.WaterSource(t.Context(), well.ID)
	assert.NoError(t, err)
	b.must(t, func(r trial.Records) error {
		of, err := r.TrialsOfExperiment(gone.Trial.Sessions[0].ExperimentID)
		assert.Equal(t, []trial.ID{gone.Trial.ID}, of, "deleted ones too")
		return err
	})
	changes := b.allChanges(t)
	assert.Equal(t, trial.Deleted, changes[len(changes)-1].Kind)

	set(time.Time{}, trial.Undeleted)
	assert.Len(t, trials(store.TrialQuery{Reader: ann}), 3)
	assert.Equal(t, none, trials(store.TrialQuery{Reader: ann, Deleted: true}))
	assert.True(t, has(cai))
	assert.Len(t, baths(store.BathQuery{Reader: ann}), 4)
	assert.Equal(t, 1, small(store.RecordQuery{}))
	assert.Equal(t, 0, small(store.RecordQuery{DeletedOf: ann}))
	versions, err := b.Versions(t.Context(), trial.TrialRecord, gone.Trial.ID, 0, 10)
	require.NoError(t, err)
	require.Len(t, versions, 3)
	assert.Equal(t, []trial.ChangeKind{trial.Undeleted, trial.Deleted, trial.Created}, []trial.ChangeKind{versions[0].Kind, versions[1].Kind, versions[2].Kind})
}
