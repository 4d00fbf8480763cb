package frozen

import (
	"bytes"
	"fmt"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// some is n rows of three trials, in two groups, two strata, four sessions.
func some(t testing.TB, n int) *Columns {
	c := &Columns{
		Condition: trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10}, Ages: true, Spectra: true,
		Labels: pipeline.Labels{Groups: []string{"a", "b"}, Blocks: []string{"", "s1", "s2", "s3"}, Strata: []string{"x", "y | b"}},
		Shown:  []string{"x", "y"}, Trials: []trial.ID{"t0", "t1", "t2"},
	}
	for i := range n {
		if i%2 == 0 {
			c.Labels.Cells = append(c.Labels.Cells, fmt.Sprintf("cell %d", len(c.Labels.Cells)+1))
		}
		row := pipeline.Row{
			ReadingID: uuid.MustParse(fmt.Sprintf("%08d-0000-7000-8000-000000000000", n-i)), Group: uint32(i % 2), Block: uint32(i % 4), Cell: uint32(i / 2),
			Lab: trial.Lab{L: float64(i % 90), A: float64(i % 7), B: float64(i % 5)}, AgeDays: float64(i%3 - 1),
		}
		if i%5 == 0 {
			row.Group, row.Stratum = 1, 1
		}
		if i%3 == 0 {
			row.Spectrum = &trial.Spectrum{StartNm: 400, StepNm: []float64{10, 20}[i%2], Reflectance: []float64{0.1, float64(i%100) / 100, 0.3, 0.4}}
		}
		c.Rows, c.TrialOf = append(c.Rows, row), append(c.TrialOf, uint32(i/2%3))
	}
	require.NoError(t, c.Sort())
	return c
}

func TestEncodeAndDecode(t *testing.T) {
	c := some(t, 20_000)
	first, err := c.Encode()
	require.NoError(t, err)
	second, err := some(t, 20_000).Encode()
	require.NoError(t, err)
	assert.Equal(t, first, second, "the same columns, the same bytes")
	assert.Greater(t, len(first.Parts), 2)
	got, err := Decode(first.Parts, first.SHA256)
	require.NoError(t, err)
	assert.Equal(t, c, got)

	other := some(t, 20_000)
	other.Rows[7].Lab.A += 1e-12
	changed, err := other.Encode()
	require.NoError(t, err)
	assert.NotEqual(t, first.SHA256, changed.SHA256)
	_, err = Decode(changed.Parts, first.SHA256)
	require.ErrorIs(t, err, ErrDamaged)
	_, err = Decode(nil, Sum(nil))
	require.ErrorIs(t, err, ErrDamaged)
	_, err = Decode(first.Parts[:2], Sum(first.Parts[:2]))
	require.ErrorIs(t, err, ErrDamaged, "rows are missing")

	c.Rows[1].ReadingID = c.Rows[0].ReadingID
	require.ErrorContains(t, c.Sort(), "twice")

	one, err := some(t, 1).Encode()
	require.NoError(t, err)
	for _, text := range []string{"00000001-0000-7000-8000-00000000000g", "0000000A-0000-7000-8000-000000000000"} {
		parts := [][]byte{one.Parts[0], bytes.Replace(one.Parts[1], []byte("00000001-0000-7000-8000-000000000000"), []byte(text), 1)}
		require.NotEqual(t, one.Parts[1], parts[1])
		_, err = Decode(parts, Sum(parts))
		require.ErrorIs(t, err, ErrDamaged)
		require.ErrorContains(t, err, text)
	}
}

// What is taken out leaves no row, no label of its own and no trial; the rest is as it would have been without.
func TestWithout(t *testing.T) {
	c := some(t, 300)
	rest, erased, from := c.Without(map[trial.ID]bool{"t1": true})
	assert.Equal(t, 100, erased)
	assert.Len(t, rest.Rows, 200)
	assert.Equal(t, []trial.ID{"t0", "t2"}, rest.Trials)
	assert.True(t, from[[2]string{"x", "a"}])
	encoded, err := rest.Encode()
	require.NoError(t, err)
	_, err = Decode(encoded.Parts, encoded.SHA256)
	require.NoError(t, err)
	kept := map[string]bool{}
	for i := range c.Rows {
		if c.TrialOf[i] != 1 {
			kept[c.Labels.Cells[c.Rows[i].Cell]] = true
		}
	}
	assert.Len(t, kept, 100)
	assert.Len(t, rest.Labels.Cells, 100)
	names := map[uuid.UUID][3]string{}
	for i, r := range c.Rows {
		if c.TrialOf[i] != 1 {
			names[r.ReadingID] = [3]string{c.Labels.Groups[r.Group], c.Labels.Cells[r.Cell], c.Trials[c.TrialOf[i]]}
		}
	}
	for i, r := range rest.Rows {
		assert.Equal(t, names[r.ReadingID], [3]string{rest.Labels.Groups[r.Group], rest.Labels.Cells[r.Cell], rest.Trials[rest.TrialOf[i]]})
	}
	none, erased, _ := rest.Without(map[trial.ID]bool{"t0": true, "t2": true})
	assert.Equal(t, 200, erased)
	assert.Empty(t, none.Labels.Groups)
	assert.Empty(t, none.Shown)
	_, err = none.Encode()
	require.NoError(t, err)
	assert.Len(t, c.Rows, 300, "the columns themselves stay")
}

func TestTake(t *testing.T) {
	c := some(t, 100)
	places := c.Places()
	require.Equal(t, []Place{{0, 0}, {0, 1}, {1, 1}}, places.Order)
	labels, rows := c.Take(places.Rows[Place{1, 1}], nil)
	assert.Equal(t, []string{"b"}, labels.Groups)
	assert.Equal(t, []string{"y | b"}, labels.Strata)
	assert.Len(t, rows, 20)
	assert.Zero(t, rows[0].Stratum)
	assert.Equal(t, uint32(1), c.Rows[places.Rows[Place{1, 1}][0]].Stratum)
}

// Each group's cells lie around one point, replicates counted once, and their distances are as before.
func TestAligned(t *testing.T) {
	row := func(id byte, group, block, cell uint32, l, a float64) pipeline.Row {
		return pipeline.Row{ReadingID: uuid.UUID{id}, Group: group, Block: block, Cell: cell, Lab: trial.Lab{L: l, A: a}}
	}
	rows := []pipeline.Row{row(1, 0, 0, 0, 30, 10), row(2, 0, 0, 0, 34, 10), row(3, 0, 0, 1, 52, 20), row(4, 1, 0, 0, 80, -50), row(5, 1, 0, 1, 90, -40)}
	got, ok := Aligned(rows)
	require.True(t, ok)
	// cells of group 0: 32 and 52, mean 42; of group 1: 80 and 90, mean 85
	for i, want := range []float64{75 - 12, 75 - 8, 75 + 10, 75 - 5, 75 + 5} {
		assert.InDelta(t, want, got[i].Lab.L, 1e-12)
	}
	assert.InDelta(t, 5, got[4].Lab.A, 1e-12)
	assert.Equal(t, 30.0, rows[0].Lab.L)
	_, ok = Aligned([]pipeline.Row{row(1, 0, 0, 0, 0, 0), row(2, 0, 0, 1, 0, 0), row(3, 0, 0, 2, 150, 0)})
	assert.False(t, ok)
}

func FuzzDecode(f *testing.F) {
	c := some(f, 12)
	encoded, err := c.Encode()
	require.NoError(f, err)
	f.Add(encoded.Parts[0], encoded.Parts[1])
	f.Add([]byte{}, []byte{0})
	f.Fuzz(func(t *testing.T, header, chunk []byte) {
		parts := [][]byte{header, chunk}
		c, err := Decode(parts, Sum(parts))
		if err != nil {
			require.ErrorIs(t, err, ErrDamaged)
			return
		}
		if _, err := c.Encode(); err == nil {
			c.Places()
			c.Without(map[trial.ID]bool{"t1": true})
		}
	})
}
