package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// noise is text that compresses little, the same for a seed.
func noise(seed uint64, size int) []byte {
	random := rand.New(rand.NewPCG(seed, 7))
	text := make([]byte, size)
	for i := range text {
		text[i] = byte(random.Uint32())
	}
	return text
}

// Texts and dictionaries of all sizes, below, at and far beyond the kept window, come back as they were.
func TestDeltaComesBack(t *testing.T) {
	var d deltaEncoder
	sizes := []int{0, 1, 7, 8, 9, 1000, 1 << 10, 15_000, 32 << 10, 33 << 10, 100_000, usualWindow / 2, usualWindow/2 + 1, usualWindow, 1 << 20, 5 << 20}
	for _, textSize := range sizes {
		for _, dictionarySize := range append(sizes, -1) {
			if max(textSize, dictionarySize) > 1<<20 && textSize != dictionarySize {
				continue // slow, and nothing new
			}
			var dictionary []byte
			if dictionarySize >= 0 {
				dictionary = append([]byte{}, noise(uint64(textSize), dictionarySize)...) // begins as the text does
			}
			text := noise(uint64(textSize), textSize)
			if len(text) > 100 {
				copy(text[len(text)/2:], "a look that was added")
			}
			body, err := d.encode(text, dictionary)
			require.NoError(t, err)
			back, err := decodeDelta(body, dictionary, len(text))
			require.NoError(t, err, "%d bytes by %d", textSize, dictionarySize)
			require.True(t, bytes.Equal(text, back), "%d bytes by %d", textSize, dictionarySize)
		}
	}
}

// A text by nearly the same takes hardly any room, whatever the text is: of noise up to 2 MiB 256 bytes at most were left in 120 seeds of each size. Beyond, the
// encoder knows only some places of the dictionary, and runs through up to 64 KiB at a time before it comes upon one of those: at 5 MiB through 0 to 7
// such runs in 120 seeds, 3 in the mean. 16, a fifth of the text, come about once in 10⁸ seeds (Poisson).
func TestDeltaOfNearlyTheSameIsSmall(t *testing.T) {
	var d deltaEncoder
	start := rand.Uint64()
	t.Logf("seeds from %d on", start)
	for size, bound := range map[int]int{1 << 10: 512, 15_000: 512, 33 << 10: 512, 100_000: 512, usualWindow/2 + 1: 512, usualWindow: 512, 1 << 20: 512, 2 << 20: 512, 5 << 20: 1 << 20} {
		for seed := range max(1, min(20, 2<<20/size)) {
			dictionary := noise(start+uint64(seed), size)
			text := bytes.Clone(dictionary)
			copy(text[size/2:], "a look that was added")
			body, err := d.encode(text, dictionary)
			require.NoError(t, err)
			assert.Less(t, len(body), bound, "%d bytes, seed %d", size, start+uint64(seed))
		}
	}
}

func FuzzDelta(f *testing.F) {
	f.Add([]byte("a trial as it was"), []byte("a trial as it is"))
	f.Add(noise(1, 3000), noise(1, 4000))
	f.Add([]byte{}, []byte{})
	f.Add(bytes.Repeat([]byte("indigo "), 9000), []byte("indigo "))
	var d deltaEncoder
	f.Fuzz(func(t *testing.T, text, dictionary []byte) {
		for _, by := range [][]byte{dictionary, nil} {
			body, err := d.encode(text, by)
			if err != nil {
				t.Fatal(err)
			}
			back, err := decodeDelta(body, by, len(text))
			if err != nil || !bytes.Equal(text, back) {
				t.Fatalf("%q by %q comes back as %q, %v", text, by, back, err)
			}
			if other, err := decodeDelta(text, by, len(dictionary)); err == nil && len(other) > len(dictionary) {
				t.Fatalf("%q is read as more than %d bytes", text, len(dictionary))
			}
		}
	})
}

func put(t testing.TB, s *Store, id trial.ID, title string) {
	_, err := s.Change(context.Background(), store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(r trial.Records) ([]byte, error) {
		kept, err := r.Trial(id)
		if err != nil {
			return nil, err
		}
		kept.Title = title
		return nil, r.PutTrial(kept, trial.Changed)
	}})
	require.NoError(t, err)
}

// A version that isn't what was kept is a loud error, and no other text; it reaches no further than the next whole version.
func TestDamagedHistory(t *testing.T) {
	for name, damage := range map[string]string{
		"another text":     `UPDATE history SET body = (SELECT h.body FROM history h WHERE h.revision = 11) WHERE revision = 10`,
		"no text":          `UPDATE history SET body = x'' WHERE revision = 10`,
		"no frame":         `UPDATE history SET body = x'00112233445566778899' WHERE revision = 10`,
		"another sum":      `UPDATE history SET sha256 = zeroblob(32) WHERE revision = 10`,
		"another size":     `UPDATE history SET size = size + 1 WHERE revision = 10`,
		"a row taken out":  `DELETE FROM history WHERE revision = 10`,
		"not in the feed":  `DELETE FROM feed WHERE revision = 10`,
		"another next one": `UPDATE history SET next = 12 WHERE revision = 10`,
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			s := openIn(t, folder, Config{})
			storetest.AddMembers(t, s)
			sample := storetest.NewSample("ann")
			require.NoError(t, submit(s, sample))
			for n := range 2*wholeEvery + 3 {
				put(t, s, sample.Trial.ID, fmt.Sprint("version ", n+2))
			}
			require.NoError(t, s.Close())
			alter(t, folder, damage)
			s = openIn(t, folder, Config{})
			defer func() { assert.NoError(t, s.Close()) }()
			version := func(revision int64) error {
				v, err := s.Version(t.Context(), trial.TrialRecord, sample.Trial.ID, revision)
				if err == nil && revision > 1 {
					assert.Contains(t, string(v.Body), fmt.Sprint("version ", revision))
				}
				return err
			}
			assert.ErrorIs(t, version(10), ErrCorrupt)
			assert.ErrorIs(t, version(9), ErrCorrupt)
			_, err := s.Versions(t.Context(), trial.TrialRecord, sample.Trial.ID, 0, store.MaxPage)
			assert.ErrorIs(t, err, ErrCorrupt)
			for _, sound := range []int64{11, 12, wholeEvery - 1, wholeEvery, wholeEvery + 1, 2 * wholeEvery, 2*wholeEvery + 4} {
				assert.NoError(t, version(sound), "version %d", sound)
			}
			require.NoError(t, submit(s, storetest.NewSample("ann")), "changes go on")
		})
	}
}

// The kept history is small: each version of a 15 KB trial takes some hundred bytes, one in wholeEvery the compressed whole.
func TestHistoryIsSmall(t *testing.T) {
	s := newStore(t, Config{})
	sample := storetest.NewSample("ann")
	for len(sample.Trial.Readings) < 40 {
		more := storetest.NewSample("ann").Trial.Readings[0]
		more.PieceID = sample.Trial.Pieces[0].ID
		for i := range more.Raw.Spectrum.Reflectance {
			more.Raw.Spectrum.Reflectance[i] = rand.Float64()
		}
		sample.Trial.Readings = append(sample.Trial.Readings, more)
	}
	require.NoError(t, submit(s, sample))
	for n := range 2 * wholeEvery {
		put(t, s, sample.Trial.ID, fmt.Sprint("version ", n+2))
	}
	var rows, whole, delta, size sql.NullFloat64
	require.NoError(t, s.read.QueryRowContext(t.Context(), `SELECT count(*), avg(length(body)) FILTER (WHERE whole), avg(length(body)) FILTER (WHERE NOT whole),
		avg(size) FROM history`).Scan(&rows, &whole, &delta, &size))
	assert.Equal(t, float64(2*wholeEvery), rows.Float64)
	assert.Greater(t, size.Float64, 10_000.)
	assert.Less(t, delta.Float64, 300.)
	assert.Less(t, whole.Float64, size.Float64)
	t.Logf("of %.0f bytes, %.0f as a difference, %.0f as a whole", size.Float64, delta.Float64, whole.Float64)
}

// BenchmarkDelta is the difference of one trial of 15 KB, as writeHistory makes it.
func BenchmarkDelta(b *testing.B) {
	before := noise(1, 15_000)
	after := append(append(append([]byte{}, before[:7000]...), "a look that was added"...), before[7000:]...)
	var d deltaEncoder
	b.Run("large", func(b *testing.B) { // 1 MB
		before, after := noise(1, 1<<20), append([]byte("a look that was added"), noise(1, 1<<20)...)
		b.ReportAllocs()
		var body []byte
		for range b.N {
			var err error
			if body, err = d.encode(before, after); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(len(body)), "size")
	})
	b.Run("encode", func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			if _, err := d.encode(before, after); err != nil {
				b.Fatal(err)
			}
		}
	})
	body, err := d.encode(before, after)
	require.NoError(b, err)
	b.Run("decode", func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			if _, err := decodeDelta(body, after, len(before)); err != nil {
				b.Fatal(err)
			}
		}
	})
}
