package page_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/commonvat/commonvat/services/internal/api/page"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The sizes are those of AIP-158: 0 the default, too much the most.
func TestSize(t *testing.T) {
	for requested, want := range map[int32]int{0: 50, 1: 1, 200: 200, 201: 200, 1 << 30: 200} {
		assert.Equal(t, want, page.Size(requested), "%d", requested)
	}
}

func TestTokenIsBoundToItsQuery(t *testing.T) {
	tokens, err := page.NewTokens()
	require.NoError(t, err)
	token := tokens.Next("0190-last", "trials", "ada", `fibre = "wool"`)
	last, err := tokens.Read(token, "trials", "ada", `fibre = "wool"`)
	require.NoError(t, err)
	assert.Equal(t, "0190-last", last)

	for name, query := range map[string][]string{
		"another filter":  {"trials", "ada", `fibre = "silk"`},
		"another caller":  {"trials", "bo", `fibre = "wool"`},
		"another method":  {"baths", "ada", `fibre = "wool"`},
		"moved separator": {"trial", "sada", `fibre = "wool"`},
		"fewer parts":     {"trials", "ada"},
	} {
		_, err := tokens.Read(token, query...)
		assert.ErrorIs(t, err, trial.ErrInvalid, name)
	}
	others, err := page.NewTokens()
	require.NoError(t, err)
	_, err = others.Read(token, "trials", "ada", `fibre = "wool"`)
	assert.ErrorIs(t, err, trial.ErrInvalid, "the key of another process")
}

func TestTokenRoundTripAndTampering(t *testing.T) {
	tokens, err := page.NewTokens()
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		last := rapid.StringMatching(`[0-9a-f-]{1,64}`).Draw(t, "last")
		query := rapid.SliceOf(rapid.String()).Draw(t, "query")
		token := tokens.Next(last, query...)
		got, err := tokens.Read(token, query...)
		require.NoError(t, err)
		require.Equal(t, last, got)

		at := rapid.IntRange(0, len(token)-1).Draw(t, "at")
		with := rapid.SampledFrom([]byte("abcXYZ019-_+ \n")).Draw(t, "with")
		if token[at] == with {
			return
		}
		_, err = tokens.Read(token[:at]+string(with)+token[at+1:], query...)
		require.ErrorIs(t, err, trial.ErrInvalid)
	})
}

func FuzzRead(f *testing.F) {
	tokens, err := page.NewTokens()
	require.NoError(f, err)
	f.Add(tokens.Next("0190f3c4-0000-7000-8000-000000000001", "trials"))
	f.Add("")
	f.Add("####")
	f.Fuzz(func(t *testing.T, token string) {
		last, err := tokens.Read(token, "trials")
		if err == nil && token != "" {
			assert.Equal(t, tokens.Next(last, "trials"), token)
		}
	})
}
