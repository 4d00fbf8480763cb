package trial

import (
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"math"
	"reflect"
	"time"

	"github.com/google/uuid"
)

// hash is of a row's whole content; where the row stood in its file doesn't matter.
func (row *ImportRow) hash() [32]byte {
	content := *row
	content.RowNumber = 0
	return hashOf(content)
}

// pieceKey names the piece of a row; a row without a piece key has a piece of its own.
func (row *ImportRow) pieceKey() string {
	if row.PieceKey != "" {
		return "piece:" + row.PieceKey
	}
	return "row:" + row.RowKey
}

// pieceHash is of what a row says of its piece and all rows of that piece must agree in.
func (row *ImportRow) pieceHash() [32]byte {
	return hashOf(ImportRow{Fibre: row.Fibre, Baths: row.Baths, SessionKey: row.SessionKey})
}

// bathHash is of what a step says of its bath and all steps in that bath must agree in.
func (b *ImportBath) bathHash() [32]byte {
	content := *b
	content.Exhaust, content.Dips, content.IntendedDepth, content.BathKey = 0, 0, 0, ""
	return hashOf(content)
}

// bathStep tells of a bath as a step of an import would.
func bathStep(b *Bath) *ImportBath {
	step := &ImportBath{
		Purposes: b.Purposes, ContentsNotStated: b.ContentsNotStated,
		ExhaustNumberNotStated: b.ExhaustNumberNotStated, ExhaustNotStated: b.ExhaustNotStated,
	}
	if len(b.Water) == 1 {
		step.WaterSourceID = b.Water[0].SourceID
	}
	for i := range b.Additions {
		a := b.Additions[i]
		if !a.Superseded {
			a.Entry = Entry{}
			step.Additions = append(step.Additions, a)
		}
	}
	return step
}

// hashOf is the SHA-256 of a value's content. Fields that are zero are left out, so that a field added to a type
// later changes no hash of what doesn't have it.
func hashOf(value any) [32]byte {
	h := sha256.New()
	hashValue(h, reflect.ValueOf(value))
	return [32]byte(h.Sum(nil))
}

func hashValue(h hash.Hash, v reflect.Value) {
	number := func(n uint64) { _ = binary.Write(h, binary.BigEndian, n) } // a hash takes everything
	text := func(s string) {
		number(uint64(len(s)))
		h.Write([]byte(s))
	}
	switch v.Kind() {
	case reflect.Struct:
		if t, ok := v.Interface().(time.Time); ok {
			text(t.UTC().Format(time.RFC3339Nano))
			return
		}
		for i := range v.NumField() {
			if !v.Field(i).IsZero() {
				text(v.Type().Field(i).Name)
				hashValue(h, v.Field(i))
			}
		}
		text("")
	case reflect.Slice:
		number(uint64(v.Len()))
		for i := range v.Len() {
			hashValue(h, v.Index(i))
		}
	case reflect.Pointer:
		if !v.IsNil() {
			hashValue(h, v.Elem())
		}
	case reflect.String:
		text(v.String())
	case reflect.Int:
		number(uint64(v.Int()))
	case reflect.Float64:
		number(math.Float64bits(v.Float()))
	case reflect.Bool:
		number(1)
	default:
		panic("import content of a kind that isn't hashed: " + v.Kind().String())
	}
}

// mint makes ids for what an import makes: UUIDs of version 7, in the order of making. The same import at the same time
// makes the same ids, so that a change that is run again is the same change.
type mint struct {
	now  time.Time
	seed string
	next uint64
}

func (m *mint) id(kind, key string, more []byte) ID {
	m.next++
	sum := sha256.New()
	for _, s := range []string{m.seed, kind, key, string(more), m.now.UTC().Format(time.RFC3339Nano)} {
		_ = binary.Write(sum, binary.BigEndian, uint64(len(s))) // a hash takes everything
		sum.Write([]byte(s))
	}
	_ = binary.Write(sum, binary.BigEndian, m.next)
	var id uuid.UUID
	copy(id[:], sum.Sum(nil))
	ms := uint64(m.now.UnixMilli())
	for i := range 6 {
		id[i] = byte(ms >> (40 - 8*i))
	}
	// RFC 9562, 5.7: version and variant; rand_a is a counter (6.2, method 1).
	id[6] = 0x70 | byte(m.next>>8)&0x0f
	id[7] = byte(m.next)
	id[8] = 0x80 | id[8]&0x3f
	return id.String()
}
