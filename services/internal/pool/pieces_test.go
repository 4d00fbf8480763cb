package pool_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/api/filter"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"

	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

func TestComparePieces(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	b.Sharing.Level = trial.Mine
	add := func(lab trial.Lab, change ...func(*trial.Reading)) trial.ID {
		p := b.piece("", wool("w"), mordant("alum"), pot("weld"))
		b.read(p, lab, change...)
		return p.ID
	}
	reference, sample := add(lab(50, 0, 0)), add(lab(53, 4, 0))
	posted := &b.Pieces[1]
	posted.Holder, posted.Code = "birch", "q7k2m"
	wet := add(lab(50, 0, 0), func(r *trial.Reading) { r.State = trial.Wet })
	matt := add(lab(50, 0, 0), func(r *trial.Reading) { r.Specular = trial.SpecularExcluded })
	elsewhere := add(lab(50, 0, 0), func(r *trial.Reading) { r.Instrument = "another reader" })
	silent := add(lab(50, 0, 12), func(r *trial.Reading) { r.Instrument, r.Specular = "", 0 })
	finished := add(lab(50, 0, 0), func(r *trial.Reading) { r.State, r.AgeDays = trial.Finished, trial.AgeUnstated })
	mute := add(lab(50, 0, 0), func(r *trial.Reading) {
		r.State, r.AgeDays, r.Instrument, r.Specular = trial.StateUnstated, trial.AgeUnstated, "", 0
	})
	lamp := add(lab(50, 0, 0), func(r *trial.Reading) { r.Raw.LabCondition = a10 })
	s.put(b.Trial)
	h := open(t, s)

	answer, err := h.pool.ComparePieces(t.Context(), pool.PiecesQuestion{Reader: "ash", Reference: reference, Sample: "q7k2m"})
	require.NoError(t, err)
	assert.InDelta(t, 5, answer.GetDifference(), 1e-12)
	assert.Equal(t, "ciede2000 (test)", answer.GetFormula())
	assert.InDelta(t, 4, answer.GetSample().GetA(), 0)
	assert.Len(t, answer.GetModules(), 2)
	assert.Empty(t, answer.GetRemarks())
	assert.Equal(t, b.Readings[0].ID, answer.GetReferenceReading().GetReadingId())
	assert.Equal(t, []string{b.Readings[1].ID, sample}, []string{answer.GetSampleReading().GetReadingId(), answer.GetSampleReading().GetPieceId()})
	assert.Empty(t, answer.GetLeftOut())
	assert.Equal(t, h.Revision(), answer.GetPoolRevision())
	answer, err = h.pool.ComparePieces(t.Context(), pool.PiecesQuestion{Reader: "ash", Reference: reference, Sample: silent, Formula: pipeline.Formula{Name: "cie76"}})
	require.NoError(t, err)
	assert.InDelta(t, 12, answer.GetDifference(), 1e-12)
	assert.Equal(t, []string{"instrument not stated of one", "gloss not stated of one"}, answer.GetRemarks())
	for _, c := range []struct {
		reference, sample trial.ID
		want              []string
	}{
		{reference, finished, []string{"state when read differs: dry, and finished", "age when read not stated of one"}},
		{finished, mute, []string{"state when read not stated of one", "age when read not stated of either", "instrument not stated of one", "gloss not stated of one"}},
	} {
		answer, err = h.pool.ComparePieces(t.Context(), pool.PiecesQuestion{Reader: "ash", Reference: c.reference, Sample: c.sample})
		require.NoError(t, err)
		assert.Equal(t, c.want, answer.GetRemarks())
	}

	for name, c := range map[string]struct {
		q    pool.PiecesQuestion
		want error
		text string
	}{
		"a stranger":         {pool.PiecesQuestion{Reader: "cedar", Reference: reference, Sample: sample}, trial.ErrNotFound, "reference_piece"},
		"the holder of one":  {pool.PiecesQuestion{Reader: "birch", Reference: sample, Sample: reference}, trial.ErrNotFound, "sample_piece"},
		"nobody":             {pool.PiecesQuestion{Reference: reference, Sample: sample}, trial.ErrNotFound, "reference_piece"},
		"no such piece":      {pool.PiecesQuestion{Reader: "ash", Reference: newID(), Sample: sample}, trial.ErrNotFound, "reference_piece"},
		"wet":                {pool.PiecesQuestion{Reader: "ash", Reference: reference, Sample: wet}, pool.ErrUnusable, "dry or finished, at least 7 days after dyeing and after its last bath: 1 read wet"},
		"gloss":              {pool.PiecesQuestion{Reader: "ash", Reference: reference, Sample: matt}, pool.ErrUnusable, "gloss"},
		"two instruments":    {pool.PiecesQuestion{Reader: "ash", Reference: reference, Sample: elsewhere}, pool.ErrUnusable, "two instruments"},
		"another condition":  {pool.PiecesQuestion{Reader: "ash", Reference: reference, Sample: lamp}, pool.ErrUnusable, "A/10 only"},
		"an unknown formula": {pool.PiecesQuestion{Reader: "ash", Reference: reference, Sample: sample, Formula: pipeline.Formula{Name: "cie31"}}, trial.ErrInvalid, "formula"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := h.pool.ComparePieces(t.Context(), c.q)
			require.ErrorIs(t, err, c.want)
			assert.ErrorContains(t, err, c.text)
		})
	}
	_, err = h.pool.ComparePieces(t.Context(), pool.PiecesQuestion{Reader: "birch", Reference: sample, Sample: sample})
	require.NoError(t, err, "who holds a piece may read it")

	h.modules.SetDown(pipeline.KindDifference, true)
	_, err = h.pool.ComparePieces(t.Context(), pool.PiecesQuestion{Reader: "ash", Reference: reference, Sample: sample})
	require.ErrorIs(t, err, pipeline.ErrModuleUnavailable)
}

// mixedShelf has two quite different pieces.
func mixedShelf() (*shelf, *book) {
	s := newShelf()
	mill := newID()
	s.waters = []trial.WaterSource{{ID: mill, Name: "Mill well"}}
	b := newBook("ash")
	b.ImportSource = "a table"
	session := b.session("")
	bath := pot("weld")
	bath.Water = []trial.WaterPart{{SourceID: mill, Parts: 2}}
	b.read(b.piece(session, wool("w 1"), mordant("alum", "iron"), bath, vat()), lab(50, 0, 0))
	b.read(b.piece("", wool(""), pot("madder")), lab(60, 0, 0), func(r *trial.Reading) { r.State = trial.StateUnstated })
	s.put(b.Trial)
	return s, b
}

// What isn't held against each other of two pieces is counted with its reason, of one piece held against itself once.
func TestOtherReadingsOfComparedPieces(t *testing.T) {
	s := newShelf()
	b := newBook("ash")
	add := func() trial.ID {
		p := b.piece("", wool("w"), mordant("alum"), pot("weld"))
		b.read(p, lab(50, 0, 0), func(r *trial.Reading) { r.State = trial.Wet })
		b.read(p, lab(51, 0, 0), func(r *trial.Reading) { r.Instrument = "another reader" })
		b.read(p, lab(52, 0, 0))
		return p.ID
	}
	reference, sample := add(), add()
	s.put(b.Trial)
	h := open(t, s)
	for of, count := range map[trial.ID]int32{sample: 2, reference: 1} {
		answer, err := h.pool.ComparePieces(t.Context(), pool.PiecesQuestion{Reader: "ash", Reference: reference, Sample: of})
		require.NoError(t, err)
		left := map[string]int32{}
		for _, l := range answer.GetLeftOut() {
			left[l.GetUnit()+": "+l.GetReason()] = l.GetCount()
		}
		assert.Equal(t, map[string]int32{"readings: another reading of the same piece": count, "readings: read wet": count}, left)
		assert.Equal(t, b.Readings[2].ID, answer.GetReferenceReading().GetReadingId(), "the newest")
	}
}

func TestFilters(t *testing.T) {
	s, b := mixedShelf()
	h := open(t, s)
	for text, want := range map[string]int32{
		``:                                     2,
		`fibre = "wool"`:                       2,
		`fibre = "WOOL" AND dye = "weld"`:      1,
		`dye = "indigo"`:                       1,
		`dye = "madder" OR dye = "weld"`:       2,
		`NOT dye = "madder"`:                   1,
		`dye = "cutch"`:                        0,
		`yarn = "w 1"`:                         1,
		`yarn = "not stated"`:                  1,
		`mordant = "alum + iron"`:              1,
		`mordant = "alum"`:                     0,
		`mordant = "none"`:                     1,
		`water = "mill well"`:                  1,
		`order = "weld > indigo"`:              1,
		`session = "` + b.Sessions[0].ID + `"`: 1,
		`session = "not stated"`:               1,
		`member = "ash"`:                       2,
		`instrument = "bench reader"`:          2,
		`source = "a table"`:                   2,
		`state = "dry"`:                        1,
		`state = "not stated"`:                 1,
		`experiment = "not stated"`:            2,
	} {
		t.Run(text, func(t *testing.T) {
			where, err := filter.Parse(text, pool.FilterFields)
			require.NoError(t, err)
			assert.Equal(t, want, h.ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE, Where: where}).GetPiecesUsed())
		})
	}
}

func FuzzFilter(f *testing.F) {
	for _, text := range []string{
		`fibre = "wool" AND dye = "weld"`, `NOT (dye = "weld" OR state = "dry")`, `order = "weld > indigo"`, `water = ""`, `mordant = 'alum'`,
		`a b c`, `((((`, `-dye = "x"`, `dye : "x"`, `dye = weld`, "yarn = \"\x00\"", `session="é"`,
	} {
		f.Add(text)
	}
	s, _ := mixedShelf()
	h := open(f, s)
	f.Fuzz(func(t *testing.T, text string) {
		where, err := filter.Parse(text, pool.FilterFields)
		if err != nil {
			require.ErrorIs(t, err, trial.ErrInvalid)
			return
		}
		if where == nil {
			return
		}
		used := func(where *store.Predicate) int32 {
			return h.ask(t, pool.Question{GroupBy: poolv1.GroupBy_GROUP_BY_FIBRE, Where: where}).GetPiecesUsed()
		}
		// Each piece here has one reading, so a filter and its opposite share the pieces out.
		require.EqualValues(t, 2, used(where)+used(&store.Predicate{Op: "not", Parts: []store.Predicate{*where}}))
	})
}
