package storetest

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func trialIDs(rows []store.TrialRow) []trial.ID {
	ids := []trial.ID{}
	for _, row := range rows {
		ids = append(ids, row.ID)
	}
	return ids
}

func trialPages(t *testing.T, b *bench) {
	var readable []trial.ID // by ann
	for n := range 23 {
		sample := NewSmallSample(ann)
		switch n % 5 {
		case 1: // bo's own
			sample.Trial.Owner = bo
		case 2:
			sample.Trial.Owner = bo
			sample.Trial.Sharing.Level = trial.Cooperative
		case 3:
			sample.Trial.Owner = bo
			sample.Trial.Sharing = trial.Sharing{Level: trial.Public, Licence: "CC-BY-4.0"}
		case 4: // ann holds a piece
			sample.Trial.Owner = cai
			sample.Trial.Pieces = []trial.Piece{newPiece(ann, "posted"), newPiece(bo, "posted")}
		}
		b.keep(t, sample)
		if n%5 != 1 {
			readable = append(readable, sample.Trial.ID)
		}
	}
	slices.Reverse(readable)
	for _, limit := range []int{1, 4, 100} {
		var seen []trial.ID
		for before := ""; ; {
			page, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, BeforeID: before, Limit: limit})
			require.NoError(t, err)
			if len(page) == 0 {
				break
			}
			require.LessOrEqual(t, len(page), limit)
			seen = append(seen, trialIDs(page)...)
			before = page[len(page)-1].ID
		}
		assert.Equal(t, readable, seen, "pages of %d", limit)
	}
	page, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: "", Limit: 100})
	require.NoError(t, err)
	assert.Len(t, page, 9, "somebody who owns and holds nothing sees what is shared")
	for _, limit := range []int{-1, 0, store.MaxPage + 1} {
		_, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, Limit: limit})
		assert.ErrorIs(t, err, trial.ErrInvalid)
	}
	_, err = b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, Limit: 1, BeforeID: "yesterday"})
	assert.ErrorIs(t, err, trial.ErrInvalid)
	// The highest id there is belongs to the first page too.
	highest := NewSmallSample(ann)
	highest.Trial.ID = "ffffffff-ffff-ffff-ffff-ffffffffffff"
	b.keep(t, highest)
	page, err = b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, Limit: 1})
	require.NoError(t, err)
	assert.Equal(t, []trial.ID{highest.Trial.ID}, trialIDs(page))
}

func sharedPages(t *testing.T, b *bench) {
	var shared []trial.ID
	for n := range 9 {
		sample := NewSmallSample(ann)
		sample.Trial.Sharing.Level = trial.SharingLevel(n%3 + 1)
		b.keep(t, sample)
		if n%3 > 0 {
			shared = append(shared, sample.Trial.ID)
		}
	}
	var seen []trial.ID
	for after := ""; ; {
		page, err := b.SharedTrials(t.Context(), after, 4)
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		seen = append(seen, trialIDs(page)...)
		after = page[len(page)-1].ID
	}
	assert.Equal(t, shared, seen)
	_, err := b.SharedTrials(t.Context(), "", 0)
	assert.ErrorIs(t, err, trial.ErrInvalid)
}

func is(field, value string) store.Predicate { return store.Predicate{Field: field, Value: value} }

func combine(op string, parts ...store.Predicate) store.Predicate {
	return store.Predicate{Op: op, Parts: parts}
}

func search(t *testing.T, b *bench) {
	well := &trial.WaterSource{ID: NewID(), Owner: ann, Name: "Mühlbrunnen"}
	b.must(t, func(r trial.Records) error { return r.CreateWaterSource(well) })
	wool, silk, import1 := NewSample(ann), NewSample(bo), NewSmallSample(cai)
	wool.Trial.Title = "GRÜN über Gelb, 100 % wool"
	wool.Trial.Sessions[0].ExperimentID = NewID()
	wool.Trial.Pieces[0].Route.Layers[0].Water = trial.WaterKey([]trial.WaterPart{{SourceID: NewID(), Parts: 1}, {SourceID: well.ID, Parts: 2}})
	silk.Trial.Title, silk.Trial.State = "Second pot", trial.FinishedTrial
	for i := range silk.Trial.Pieces {
		silk.Trial.Pieces[i].Fibre.Composition = []trial.FibrePart{{Fibre: "silk", Percent: 70}, {Fibre: "wool", Percent: 30}}
		silk.Trial.Pieces[i].Route.Layers = []trial.Layer{{Materials: []trial.LayerMaterial{{Material: "madder", Role: trial.Dye}}}}
	}
	import1.Trial.ImportSource = "Old Notebook"
	for _, sample := range []*Sample{wool, silk, import1} {
		sample.Trial.Sharing.Level = trial.Cooperative
	}
	wool.Trial.Sharing = trial.Sharing{Level: trial.Public, Licence: "CC0-1.0"}
	b.keep(t, wool, silk, import1)

	for _, test := range []struct {
		where store.Predicate
		found []*Sample // newest first
	}{
		{is("owner", "ann"), []*Sample{wool}},
		{is("owner", "ANN"), []*Sample{wool}},
		{is("owner", "an"), nil},
		{is("title", "grün ÜBER"), []*Sample{wool}},
		{is("title", "%"), []*Sample{wool}},
		{is("title", "_"), nil},
		{is("title", "second"), []*Sample{silk}},
		{is("state", "Finished"), []*Sample{silk}},
		{is("state", "abandoned"), nil},
		{is("sharing", "public"), []*Sample{wool}},
		{is("sharing", "cooperative"), []*Sample{import1, silk}},
		{is("fibre", "Silk"), []*Sample{silk}},
		{is("fibre", "wool"), []*Sample{silk, wool}},
		{is("material", "weld"), []*Sample{wool}},
		{is("material", "Madder"), []*Sample{silk}},
		{is("material", "' OR 1=1 --"), nil},
		{is("water", well.ID), []*Sample{wool}},
		{is("water", "mühlBRUNNEN"), []*Sample{wool}},
		{is("water", "Mill well"), nil},
		{is("source", "old notebook"), []*Sample{import1}},
		{is("source", "notebook"), nil},
		{is("experiment", wool.Trial.Sessions[0].ExperimentID), []*Sample{wool}},
		{combine("and", is("fibre", "wool"), is("material", "weld")), []*Sample{wool}},
		{combine("and", is("fibre", "wool")), []*Sample{silk, wool}},
		{combine("or", is("owner", "cai"), is("material", "weld")), []*Sample{import1, wool}},
		{combine("not", is("fibre", "wool")), []*Sample{import1}},
		{combine("not", combine("or", is("owner", "cai"), is("material", "weld"))), []*Sample{silk}},
		{combine("and", combine("not", is("water", well.ID)), combine("or", is("owner", "ann"), is("owner", "bo"))), []*Sample{silk}},
	} {
		page, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, Where: &test.where, Limit: 10})
		require.NoError(t, err, "%+v", test.where)
		want := []trial.ID{}
		for _, sample := range test.found {
			want = append(want, sample.Trial.ID)
		}
		assert.Equal(t, want, trialIDs(page), "%+v", test.where)
	}

	// A search finds only what may be read, and what a put took away no more.
	b.must(t, func(r trial.Records) error {
		kept, err := r.Trial(silk.Trial.ID)
		if err != nil {
			return err
		}
		kept.Sharing = trial.Sharing{Level: trial.Mine}
		for i := range kept.Pieces {
			kept.Pieces[i].Fibre.Composition = []trial.FibrePart{{Fibre: "silk", Percent: 100}}
		}
		return r.PutTrial(kept, trial.Withdrawn)
	})
	for reader, found := range map[trial.MemberID]int{ann: 0, bo: 1} {
		where := is("fibre", "silk")
		page, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: reader, Where: &where, Limit: 10})
		require.NoError(t, err)
		assert.Len(t, page, found, reader)
		where = combine("and", is("fibre", "wool"), is("owner", bo))
		page, err = b.ListTrials(t.Context(), store.TrialQuery{Reader: reader, Where: &where, Limit: 10})
		require.NoError(t, err)
		assert.Empty(t, page)
	}
}

func searchRefused(t *testing.T, b *bench) {
	nested := func(depth int) store.Predicate {
		where := is("owner", ann)
		for range depth - 1 {
			where = combine("not", where)
		}
		return where
	}
	many := func(n int) store.Predicate {
		return combine("or", slices.Repeat([]store.Predicate{is("owner", ann)}, n-1)...)
	}
	for text, where := range map[string]store.Predicate{
		`"colour"`:       is("colour", "green"),
		`"owner = 1 --"`: is("owner = 1 --", "green"),
		`""`:             {},
		`"xor"`:          combine("xor", is("owner", ann)),
		`"and"`:          combine("and"),
		`"not"`:          combine("not", is("owner", ann), is("owner", bo)),
		"no parts":       {Field: "owner", Value: ann, Parts: []store.Predicate{is("owner", ann)}},
		"boiling":        is("state", "boiling"),
		"abandoned":      is("state", "boiling"), // the allowed ones are named
		"everybody":      is("sharing", "everybody"),
		"deeper":         nested(store.MaxPredicateDepth + 1),
		"more than":      many(store.MaxPredicateNodes + 1),
	} {
		_, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, Where: &where, Limit: 10})
		var fault *trial.FieldFault
		if assert.ErrorAs(t, err, &fault, text) {
			assert.Equal(t, "filter", fault.Field)
			assert.Contains(t, fault.Text, text)
		}
	}
	for _, where := range []store.Predicate{
		nested(store.MaxPredicateDepth), many(store.MaxPredicateNodes), is("title", strings.Repeat("\x00'\"\xff", 500)),
	} {
		_, err := b.ListTrials(t.Context(), store.TrialQuery{Reader: ann, Where: &where, Limit: 10})
		assert.NoError(t, err)
	}
}

func bathsOfReader(t *testing.T, b *bench) {
	own, hidden, shared, open := NewSample(ann), NewSample(bo), NewSample(bo), NewSample(bo)
	shared.Baths[0].Sharing.Level = trial.Cooperative
	open.Baths[1].OpenToMembers = true
	posted := NewSample(bo)
	posted.Trial.Pieces[0].Holder = ann // was in both
	posted.Trial.Pieces[3].Holder = cai // was in the vat
	b.keep(t, own, hidden, shared, open, posted)

	want := []trial.ID{
		posted.Baths[1].ID, posted.Baths[0].ID, open.Baths[1].ID, shared.Baths[0].ID, own.Baths[1].ID, own.Baths[0].ID,
	}
	var seen []trial.ID
	for before := ""; ; {
		page, err := b.ListBaths(t.Context(), store.BathQuery{Reader: ann, BeforeID: before, Limit: 4})
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		for _, row := range page {
			seen = append(seen, row.ID)
		}
		before = page[len(page)-1].ID
	}
	assert.Equal(t, want, seen)
	for member, has := range map[trial.MemberID][]bool{ann: {true, true}, bo: {true, true}, cai: {false, true}, "nobody": {false, false}} {
		for i, bath := range posted.Baths {
			is, err := b.HasPieceIn(t.Context(), bath.ID, member)
			require.NoError(t, err)
			assert.Equal(t, has[i], is, "%s, bath %d", member, i)
			members, err := b.MembersWithPieceIn(t.Context(), bath.ID)
			require.NoError(t, err)
			assert.True(t, slices.IsSorted(members))
			assert.Equal(t, has[i], slices.Contains(members, member), "%s, bath %d", member, i)
		}
	}
	_, err := b.ListBaths(t.Context(), store.BathQuery{Reader: ann})
	assert.ErrorIs(t, err, trial.ErrInvalid)
}

func membersAndTokens(t *testing.T, b *bench) {
	at := time.Date(2026, 1, 2, 3, 4, 5, 6000, time.UTC)
	dee := store.MemberRow{ID: "dee", DisplayName: "Dée", Roles: []string{"steward", "member"}, CreatedAt: at}
	require.NoError(t, b.CreateMember(t.Context(), By(ann), dee))
	assert.ErrorIs(t, b.CreateMember(t.Context(), By(ann), dee), trial.ErrExists)
	assert.ErrorIs(t, b.CreateMember(t.Context(), By(ann), store.MemberRow{ID: "eve", Roles: []string{"wizard"}}), trial.ErrInvalid)
	assert.ErrorIs(t, b.CreateMember(t.Context(), By(ann), store.MemberRow{}), trial.ErrInvalid)
	dee.Roles = []string{"member", "steward"} // by name
	kept, err := b.Member(t.Context(), "dee")
	require.NoError(t, err)
	assert.Equal(t, dee, kept)
	for _, id := range []trial.MemberID{"eve", "DEE", ""} {
		_, err = b.Member(t.Context(), id)
		assert.ErrorIs(t, err, trial.ErrNotFound, id)
	}
	all, err := b.Members(t.Context())
	require.NoError(t, err)
	require.Len(t, all, 4)
	assert.Equal(t, []trial.MemberID{ann, bo, cai, "dee"}, []trial.MemberID{all[0].ID, all[1].ID, all[2].ID, all[3].ID})
	assert.Equal(t, dee, all[3])

	token := store.TokenRow{ID: "t1", Member: "dee", SecretHash: hashOf("secret"), Label: "phone", CreatedAt: at}
	require.NoError(t, b.CreateToken(t.Context(), By(ann), token))
	ending := token
	ending.ID, ending.ExpiresAt = "t2", at.Add(time.Hour)
	require.NoError(t, b.CreateToken(t.Context(), By(ann), ending))
	assert.ErrorIs(t, b.CreateToken(t.Context(), By(ann), token), trial.ErrExists)
	assert.ErrorIs(t, b.CreateToken(t.Context(), By(ann), store.TokenRow{ID: "t3", Member: "nobody"}), trial.ErrNotFound)
	b.reopen(t)
	for _, want := range []store.TokenRow{token, ending} {
		kept, err := b.Token(t.Context(), want.ID)
		require.NoError(t, err)
		assert.Equal(t, want, kept)
	}
	require.NoError(t, b.RevokeToken(t.Context(), By(ann), "t1", at.Add(time.Minute)))
	require.NoError(t, b.RevokeToken(t.Context(), By(ann), "t1", at.Add(time.Hour)))
	revoked, err := b.Token(t.Context(), "t1")
	require.NoError(t, err)
	assert.Equal(t, at.Add(time.Minute), revoked.RevokedAt, "the first time counts")
	assert.ErrorIs(t, b.RevokeToken(t.Context(), By(ann), "t9", at), trial.ErrNotFound)
	_, err = b.Token(t.Context(), "t9")
	assert.ErrorIs(t, err, trial.ErrNotFound)
	assert.Zero(t, b.Revision(), "members and tokens are no records")
}
