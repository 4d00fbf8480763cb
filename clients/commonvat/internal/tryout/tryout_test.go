package tryout

import (
	"bufio"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestParseCaseRefuses(t *testing.T) {
	for line, want := range map[string]string{
		`[]`: "case is no JSON object",
		`{}`: `contract is "", want one of commonvat.module.bathscale.v1, commonvat.module.compare.v1, `,
		`{"contract":"commonvat.module.palette.v2","kind":"reading"}`:                                            `kind is "reading", want "palette"`,
		`{"contract":"commonvat.module.palette.v2","kind":"palette"}`:                                            "messages has 0, want 1 to 200000",
		`{"contract":"commonvat.module.difference.v1","kind":"difference","messages":[{},{}]}`:                   "messages has 2, want 1 to 1",
		`{"contract":"commonvat.module.difference.v1","kind":"difference","messages":[{"k_l":"wide"}]}`:          "messages[0] is no commonvat.module.difference.v1.ComputeDifferencesRequest",
		`{"contract":"commonvat.module.difference.v1","kind":"difference","messages":[{}]} {}`:                   "case is followed by more text",
		`{"contract":"commonvat.module.difference.v1","kind":"difference","messages":[{}],"server":"127.0.0.1"}`: "unknown field",
	} {
		_, err := ParseCase([]byte(line))
		var f *FieldError
		require.ErrorAs(t, err, &f, line)
		assert.Contains(t, err.Error(), want)
	}
}

func TestEveryKindHasAContract(t *testing.T) {
	for _, kind := range sdk.Kinds() {
		assert.Condition(t, func() bool {
			return slices.ContainsFunc(Contracts(), func(c string) bool { return strings.HasPrefix(c, "commonvat.module."+kind+".v") })
		}, kind)
	}
	for _, c := range Contracts() {
		m, err := Method(c, "")
		require.NoError(t, err)
		again, err := Method(c, string(m.Name()))
		require.NoError(t, err)
		assert.Equal(t, m, again)
	}
	_, err := Method("commonvat.module.bathscale.v1", "Guess")
	assert.ErrorContains(t, err, `call is "Guess", want one of ScaleBaths, MixWaters, Rescale, LayOut`)
}

func TestLongLinesArePassedOver(t *testing.T) {
	r := bufio.NewReader(io.MultiReader(strings.NewReader("a\n"), io.LimitReader(endless{}, MaxLineBytes+1), strings.NewReader("\nb")))
	var got []string
	for {
		line, tooLong, err := ReadLine(r)
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		if tooLong {
			line = []byte("too long")
		}
		got = append(got, strings.TrimSpace(string(line)))
	}
	assert.Equal(t, []string{"a", "too long", "b"}, got)
}

type endless struct{}

func (endless) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = 'x'
	}
	return len(b), nil
}

func FuzzParseCase(f *testing.F) {
	f.Add([]byte(`{"kind":"difference","contract":"commonvat.module.difference.v1","messages":[{"formula":"cie76","k_l":"NaN"}]}`))
	f.Add([]byte(`{"kind":"palette","contract":"commonvat.module.palette.v2","messages":[{"relabelling":{"group":[0,4294967295]}}]}`))
	f.Add([]byte(`{"messages":[[[[`))
	f.Fuzz(func(t *testing.T, line []byte) {
		c, err := ParseCase(line)
		var field *FieldError
		if err != nil && !errors.As(err, &field) {
			t.Fatalf("error without a field: %v", err)
		}
		if err == nil && len(c.messages) == 0 {
			t.Fatal("a case without messages was taken")
		}
	})
}
