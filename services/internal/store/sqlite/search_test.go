package sqlite

import (
	"database/sql"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// FuzzSearch builds predicates from bytes and lets the database prepare and run
// what they compile to: each is refused or runs, and nothing of the caller's gets into the text.
func FuzzSearch(f *testing.F) {
	f.Add([]byte("\x00\x05wool"))
	f.Add([]byte("\x01\x02\x00\x01title\x03\x01\x00\x07weld"))
	f.Add([]byte("\x02\x03\x00\x06' OR 1=1; DROP TABLE trials; --\x00\x02begun"))
	f.Add([]byte(strings.Repeat("\x03\x01", 20)))
	f.Add([]byte("\x01\x09" + strings.Repeat("\x00\x03public", 9)))
	f.Add([]byte("\x00\x0cowner\x00\x0d\xff\xfe"))
	f.Add([]byte("\x00\x0edye"))
	f.Add([]byte("\x01\x02\x00\x0ddye\x00\x00\x0epot"))
	f.Add([]byte("\x00\x12yes"))
	db, err := sql.Open("sqlite", dsn(f.TempDir()+"/records.db", forWriting))
	require.NoError(f, err)
	f.Cleanup(func() { assert.NoError(f, db.Close()) })
	require.NoError(f, migrate(f.Context(), db))

	f.Fuzz(func(t *testing.T, data []byte) {
		where := predicateFrom(&data)
		for from, compare := range map[string]compareField{"trials t": compareTrial, "baths b": compareBath} {
			checkSearch(t, db, from, compare, &where)
		}
	})
}

func checkSearch(t *testing.T, db *sql.DB, from string, compare compareField, where *store.Predicate) {
	text, args, err := compileSearch(where, compare)
	if err != nil {
		var fault *trial.FieldFault
		if !errors.As(err, &fault) || fault.Field != "filter" {
			t.Fatalf("refused with %v", err)
		}
		return
	}
	if n := strings.Count(text, "?"); n != len(args) {
		t.Fatalf("%d places for %d values in %s", n, len(args), text)
	}
	if other, _, _ := compileSearch(withoutValues(*where), compare); other != text {
		t.Fatalf("a value got into the text: %s", text)
	}
	var count int
	if err := db.QueryRowContext(t.Context(), "SELECT count(*) FROM "+from+" WHERE "+text, args...).Scan(&count); err != nil {
		t.Fatalf("%s: %v", text, err)
	}
}

// predicateFrom reads an operation, a count or field, and for a comparison a value up to the next zero byte.
func predicateFrom(data *[]byte) store.Predicate {
	next := func() byte {
		if len(*data) == 0 {
			return 0
		}
		b := (*data)[0]
		*data = (*data)[1:]
		return b
	}
	op, n := next(), next()
	p := store.Predicate{Op: []string{"", "and", "or", "not", "xor"}[op%5]}
	if p.Op == "" {
		fields := append([]string{"", "t.owner", "title'"}, append(store.TrialSearchFields, store.BathSearchFields...)...)
		p.Field = fields[int(n)%len(fields)]
		var value []byte
		for b := next(); b != 0; b = next() {
			value = append(value, b)
		}
		p.Value = string(value)
		return p
	}
	for range n % 10 {
		if len(*data) == 0 {
			break
		}
		p.Parts = append(p.Parts, predicateFrom(data))
	}
	return p
}

// withoutValues is the same search for other values.
func withoutValues(p store.Predicate) *store.Predicate {
	q := p
	switch p.Field {
	case "state", "sharing":
		q.Value = numbered[p.Field][0]
	case "open":
		q.Value = yesOrNo[0]
	case "purpose":
		q.Value = purposeNames[0]
	default:
		q.Value = "x"
	}
	q.Parts = nil
	for _, part := range p.Parts {
		q.Parts = append(q.Parts, *withoutValues(part))
	}
	return &q
}
