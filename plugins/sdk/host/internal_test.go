package host

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/hashicorp/go-hclog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/trace"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/protobuf/proto"
)

// TestLifelineAloneEndsTheModule closes our end of the pipe, as the system does when a host dies; the parent-death signal
// has no part in it.
func TestLifelineAloneEndsTheModule(t *testing.T) {
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	defer func() { assert.NoError(t, os.RemoveAll(sockets)) }()
	p, err := Start(t.Context(), Config{
		Path:         filepath.Join(plugintest.Folder(t, "echo", "1.0.0", sdk.KindPalette), sdk.ExecutablePrefix+"echo"),
		SocketParent: sockets, StartTimeout: plugintest.Patience,
	})
	require.NoError(t, err)
	defer p.Stop(time.Second)
	require.NoError(t, p.run.lifeline.Close())
	select {
	case <-p.Exited():
		assert.Equal(t, "exit status 0", p.ExitText())
	case <-time.After(plugintest.Patience):
		t.Fatal("the module outlives its lifeline")
	}
}

var (
	testTrace = trace.TraceID{1, 2, 3}
	testBegan = time.Unix(1_800_000_000, 0)
	testEnded = testBegan.Add(time.Minute)
)

func span(change func(*tracepb.Span)) *tracepb.Span {
	s := &tracepb.Span{
		TraceId: testTrace[:], SpanId: []byte{1, 0, 0, 0, 0, 0, 0, 0}, ParentSpanId: []byte{2, 0, 0, 0, 0, 0, 0, 0}, Name: "work",
		StartTimeUnixNano: uint64(testBegan.UnixNano()), EndTimeUnixNano: uint64(testEnded.UnixNano()),
	}
	if change != nil {
		change(s)
	}
	return s
}

func encode(t testing.TB, spans ...*tracepb.Span) []byte {
	t.Helper()
	b, err := proto.Marshal(&tracepb.TracesData{ResourceSpans: []*tracepb.ResourceSpans{{ScopeSpans: []*tracepb.ScopeSpans{{Spans: spans}}}}})
	require.NoError(t, err)
	return b
}

func TestSpansThatCantBeTrueAreRefused(t *testing.T) {
	scopes, err := checkSpans(encode(t, span(nil)), testTrace, testBegan, testEnded)
	require.NoError(t, err)
	require.Len(t, scopes, 1)

	many := make([]*tracepb.Span, sdk.MaxSpans+1)
	for i := range many {
		many[i] = span(nil)
	}
	for want, b := range map[string][]byte{
		"no spans":             nil,
		"can't be read":        []byte("\xff"),
		"more than 24 spans":   encode(t, many...),
		"at most 5120":         make([]byte, sdk.MaxSpansBytes+1),
		"another trace":        encode(t, span(nil), span(func(s *tracepb.Span) { s.TraceId = make([]byte, 16) })),
		"without an id":        encode(t, span(func(s *tracepb.Span) { s.SpanId = make([]byte, 8) })),
		"without a parent":     encode(t, span(func(s *tracepb.Span) { s.ParentSpanId = nil })),
		"without a name":       encode(t, span(func(s *tracepb.Span) { s.Name = "" })),
		"outside the time":     encode(t, span(func(s *tracepb.Span) { s.EndTimeUnixNano = s.StartTimeUnixNano - 1 })),
		"the time of its call": encode(t, span(func(s *tracepb.Span) { s.StartTimeUnixNano = 0 })),
		"time of its call":     encode(t, span(func(s *tracepb.Span) { s.EndTimeUnixNano += uint64(time.Hour) })),
	} {
		_, err := checkSpans(b, testTrace, testBegan, testEnded)
		assert.ErrorContains(t, err, want)
	}
}

func FuzzCheckSpans(f *testing.F) {
	f.Add([]byte(nil))
	f.Add(encode(f, span(nil)))
	f.Add(encode(f, span(func(s *tracepb.Span) { s.Name = strings.Repeat("x", 6000) })))
	f.Fuzz(func(t *testing.T, b []byte) {
		scopes, err := checkSpans(b, testTrace, testBegan, testEnded)
		if err != nil {
			return
		}
		n := 0
		for _, s := range scopes {
			for _, sp := range s.GetSpans() {
				n++
				if trace.TraceID(sp.GetTraceId()) != testTrace {
					t.Fatalf("span of trace %x was accepted", sp.GetTraceId())
				}
			}
		}
		if n == 0 || n > sdk.MaxSpans {
			t.Fatalf("%d spans were accepted", n)
		}
	})
}

func TestLoggingTooFastLosesLinesAndSaysSo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // where no time passes by itself
		h := &countingHandler{}
		s := newLineSink(slog.New(h))
		s.base = "module"
		for range linesBurst + 50 {
			s.Accept("module", hclog.Info, strings.Repeat("x", 2*maxLineBytes))
		}
		assert.Equal(t, linesBurst, h.lines)
		assert.Equal(t, maxLineBytes+len("..."), h.longest)
		time.Sleep(time.Second)
		s.Accept("module", hclog.Info, "again")
		assert.Equal(t, linesBurst+2, h.lines)
		assert.Equal(t, []string{"module logged too fast, lines are missing", "again"}, h.said[linesBurst:])
		assert.Equal(t, []string{"plugins/sdk/host"}, h.by, "the module wrote all lines but that one")
		s.tellMissing()
		assert.Equal(t, linesBurst+2, h.lines, "it is told once")
		s.Accept("other", hclog.Error, "about itself")
		assert.Equal(t, slog.LevelDebug, h.last, "go-plugin's own lines are for debugging")
	})
}

// What a module printed last without the end of a line is told when it has ended, and what comes after that as it comes.
func TestTheLastHalfLineIsTold(t *testing.T) {
	h := &countingHandler{}
	s := newLineSink(slog.New(h))
	out, other := s.printed("stdout"), s.printed("stderr")
	for _, text := range []string{"whole\nhal", "f a li", "ne"} {
		_, err := out.Write([]byte(text))
		require.NoError(t, err)
	}
	assert.Equal(t, []string{"printed: whole"}, h.said)
	s.end()
	s.end()
	assert.Equal(t, []string{"printed: whole", "printed: half a line"}, h.said, "once")
	_, err := other.Write([]byte("late"))
	require.NoError(t, err)
	assert.Equal(t, "printed: late", h.said[len(h.said)-1])
}

// No attribute of a module's line is taken for the host's, whatever its key.
func TestAttributesOfTheModuleAreItsOwn(t *testing.T) {
	h := &countingHandler{}
	s := newLineSink(slog.New(h))
	s.base = "module"
	s.Accept("module", hclog.Info, "said", OfHost, "a.example", "timestamp", "noon", "timestamp", "2026-05-03T14:10:00Z")
	assert.Equal(t, []any{"a.example", "noon", Note("2026-05-03T14:10:00Z")}, h.values)
}

type countingHandler struct {
	values         []any // of the attributes of the last line
	lines, longest int
	last           slog.Level
	said           []string
	by             []string // who wrote what the module didn't
}

func (h *countingHandler) Enabled(context.Context, slog.Level) bool { return true }
func (h *countingHandler) Handle(_ context.Context, r slog.Record) error {
	h.lines++
	h.said = append(h.said, r.Message)
	h.longest, h.last = max(h.longest, len(r.Message)), r.Level
	h.values = nil
	r.Attrs(func(a slog.Attr) bool {
		h.values = append(h.values, a.Value.Any())
		if a.Key == OfHost {
			h.by = append(h.by, a.Value.String())
		}
		return true
	})
	return nil
}
func (h *countingHandler) WithAttrs([]slog.Attr) slog.Handler { return h }
func (h *countingHandler) WithGroup(string) slog.Handler      { return h }

func TestTailKeepsTheEnd(t *testing.T) {
	var tl tail
	for range 100 {
		_, err := tl.Write([]byte(strings.Repeat("a", 1000)))
		require.NoError(t, err)
	}
	_, err := tl.Write([]byte("the end\xff\n"))
	require.NoError(t, err)
	assert.LessOrEqual(t, len(tl.String()), tailBytes+len("\uFFFD"))
	assert.True(t, strings.HasSuffix(tl.String(), "the end\uFFFD"))
}

// The checksum in steps is that of sha256sum(1): of nothing, and of a file that is no multiple of a step.
func TestChecksum(t *testing.T) {
	for size, want := range map[int]string{
		0:               "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		(256 << 10) + 3: "",
	} {
		content := bytes.Repeat([]byte("x"), size)
		path := filepath.Join(t.TempDir(), "file")
		require.NoError(t, os.WriteFile(path, content, 0o600))
		got, err := checksum(path)
		require.NoError(t, err)
		if want == "" {
			sum := sha256.Sum256(content)
			want = hex.EncodeToString(sum[:])
		}
		assert.Equal(t, want, hex.EncodeToString(got))
	}
	_, err := checksum(t.TempDir())
	require.Error(t, err)
}
