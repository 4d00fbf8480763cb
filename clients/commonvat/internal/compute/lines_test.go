package compute

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/tryout"
	"github.com/commonvat/commonvat/plugins/safety"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func TestLines(t *testing.T) {
	conn, err := dial(t)(t.Context(), sdk.KindDifference)
	require.NoError(t, err)
	method, err := tryout.Method("commonvat.module.difference.v1", "")
	require.NoError(t, err)
	const ask = `{"condition":{"illuminant":"ILLUMINANT_D65","observer":"OBSERVER_CIE_1964_10_DEGREE"},"formula":"cie76","pairs":[{"reference":{"l":50},"sample":{"l":%d}}]}` + "\n"
	var in strings.Builder
	for i := range 100 {
		fmt.Fprintf(&in, ask, 50+i%50)
		if i%10 == 3 {
			in.WriteString("\n{\"formula\":\"<\"}\nno JSON\n")
		}
	}
	var out bytes.Buffer
	seen := 0
	bad, err := Lines(t.Context(), conn, method, time.Minute, strings.NewReader(in.String()), &out, func(n int) { seen = n })
	require.NoError(t, err)
	assert.Equal(t, 20, bad)
	assert.Equal(t, 120, seen)
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	require.Len(t, lines, 120)
	at := 0
	for i := range 100 {
		assert.Equal(t, fmt.Sprintf(`{"differences":[%d],"formula":"CIE76"}`, i%50), lines[at])
		at++
		if i%10 == 3 {
			assert.Contains(t, lines[at], `"error":{"code":"InvalidArgument"`)
			assert.Contains(t, lines[at+1], `no JSON object`)
			at += 2
		}
	}
	assert.Contains(t, out.String(), `{"line":6,"error":`)

	// A call that streams: a list of messages a line.
	conn, err = dial(t)(t.Context(), sdk.KindPalette)
	require.NoError(t, err)
	method, err = tryout.Method("commonvat.module.palette.v1", "MeasureWidths")
	require.NoError(t, err)
	out.Reset()
	header := `{"header":{"condition":{"illuminant":1,"observer":2},"labels":{"groups":["g"],"blocks":[""],"strata":[""],"cells":["c"]},"row_count":1}}`
	columns := `{"columns":{"reading_id":["1"],"group":[0],"block":[0],"stratum":[0],"cell":[0],"l":[20],"a":[0],"b":[0]}}`
	bad, err = Lines(t.Context(), conn, method, time.Minute, strings.NewReader("["+header+","+columns+"]\n"+header+"\n["+header+"]\n"), &out, nil)
	require.NoError(t, err)
	assert.Equal(t, 2, bad)
	lines = strings.Split(strings.TrimSpace(out.String()), "\n")
	require.Len(t, lines, 3)
	assert.Contains(t, lines[0], `"cells":1`)
	assert.Contains(t, lines[1], "no JSON list of request messages")
	assert.Contains(t, lines[2], "row_count")

	// A byte order mark is no part of the first line, as in a table.
	out.Reset()
	bad, err = Lines(t.Context(), conn, method, time.Minute, strings.NewReader("\ufeff["+header+","+columns+"]\r\n\ufeff["+header+"]\n"), &out, nil)
	require.NoError(t, err)
	assert.Equal(t, 1, bad)
	assert.Contains(t, out.String(), `{"line":2,"error":`)

	_, err = Lines(t.Context(), conn, method, time.Minute, strings.NewReader(header), failing{}, nil)
	assert.ErrorIs(t, err, errFull)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = Lines(ended, conn, method, time.Minute, strings.NewReader(header), io.Discard, nil)
	assert.ErrorIs(t, err, context.Canceled)
}

// A module that ends takes the rest of the file with it, and that is told once.
func TestLinesOfAModuleThatEnds(t *testing.T) {
	method, err := tryout.Method("commonvat.module.difference.v1", "")
	require.NoError(t, err)
	var out bytes.Buffer
	bad, err := Lines(t.Context(), gone{}, method, time.Minute, strings.NewReader(strings.Repeat("{}\n", 1000)), &out, nil)
	require.ErrorIs(t, err, ErrModuleEnded)
	assert.ErrorContains(t, err, "during line 1 or one before")
	assert.Zero(t, bad)
	assert.Empty(t, out.String())
}

// gone is a connection to nobody.
type gone struct{ grpc.ClientConnInterface }

func (gone) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	return nil, status.Error(codes.Unavailable, "connection refused")
}

// A rule pack goes to the safety module, which then knows it by its digest; a module without data says so.
func TestPutData(t *testing.T) {
	pack, err := os.ReadFile("../../../../plugins/safety/rules/craft-safety.yaml")
	require.NoError(t, err)
	conn := plugintest.Dial(t, safety.Module())
	require.NoError(t, PutData(t.Context(), conn, time.Minute, pack))
	method, err := tryout.Method("commonvat.module.safety.v1", "ListFields")
	require.NoError(t, err)
	var out bytes.Buffer
	bad, err := Lines(t.Context(), conn, method, time.Minute, strings.NewReader("{}\n"), &out, nil)
	require.NoError(t, err)
	assert.Zero(t, bad)
	assert.Contains(t, out.String(), `"fields":[{`)
	assert.Error(t, PutData(t.Context(), conn, time.Minute, []byte("no: pack")))
	other, err := dial(t)(t.Context(), sdk.KindDifference)
	require.NoError(t, err)
	assert.ErrorContains(t, PutData(t.Context(), other, time.Minute, pack), "the module takes no data")
}

var errFull = fmt.Errorf("the disk is full")

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errFull }
