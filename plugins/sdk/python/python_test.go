package python_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"log/slog"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/commonvat/commonvat/plugins/internal/moduletest"
	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/python"
	"github.com/commonvat/commonvat/plugins/sdk/python/pythontest"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/trace"
	tracepb "go.opentelemetry.io/proto/otlp/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
)

// rude starts the module of testdata/rude.
func rude(t *testing.T, change ...func(*host.Config)) *host.Process {
	t.Helper()
	folder := pythontest.Folder(t, "testdata/rude")
	sockets, err := os.MkdirTemp("", "cv")
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(sockets)) })
	cfg := host.Config{Path: filepath.Join(folder, "commonvat-module-rude"), SocketParent: sockets, StartTimeout: plugintest.Patience}
	for _, f := range change {
		f(&cfg)
	}
	p, err := host.Start(t.Context(), cfg)
	require.NoError(t, err)
	t.Cleanup(func() { p.Stop(3 * time.Second) })
	return p
}

func choice(name, word string) *describev1.ParameterValue {
	return &describev1.ParameterValue{Name: name, Value: &describev1.ParameterValue_Choice{Choice: word}}
}

func number(name string, x float64) *describev1.ParameterValue {
	return &describev1.ParameterValue{Name: name, Value: &describev1.ParameterValue_Number{Number: x}}
}

// do asks for one deed, on two readings of one cell.
func do(ctx context.Context, p *host.Process, deed string, more ...*describev1.ParameterValue) (*palettev2.ScoreValue, error) {
	stream, err := palettev2.NewPaletteServiceClient(p.Conn()).ScorePalettes(ctx)
	if err != nil {
		return nil, err
	}
	for _, part := range []*palettev2.ScorePalettesRequest{
		{Part: &palettev2.ScorePalettesRequest_Header{Header: &palettev2.ScoresHeader{
			Condition: &typesv1.ColourCondition{Illuminant: typesv1.Illuminant_ILLUMINANT_D65, Observer: typesv1.Observer_OBSERVER_CIE_1931_2_DEGREE},
			Labels:    &columnsv1.Labels{Groups: []string{"weld \"yellow\""}, Blocks: []string{""}, Strata: []string{""}, Cells: []string{"c"}},
			RowCount:  2, Seed: 5, Parameters: append(more, choice("deed", deed)),
		}}},
		{Part: &palettev2.ScorePalettesRequest_Columns{Columns: &palettev2.ScoredColumns{
			Colours: &columnsv1.ColourColumns{ReadingId: []string{"1", "2"}, Group: []uint32{0, 0}, Block: []uint32{0, 0}, Stratum: []uint32{0, 0}, Cell: []uint32{0, 0},
				L: []float64{40, 60}, A: []float64{0, 2}, B: []float64{5, 5}},
			AgeDays: []float64{8, 12},
			Spectra: &palettev2.SpectrumColumns{StartNm: 400, StepNm: 20, Count: 3, Known: []bool{true, true}, Reflectance: []float64{0.1, 0.2, 0.3, 0.1, 0.2, 0.5}},
		}}},
	} {
		if err := stream.Send(part); errors.Is(err, io.EOF) {
			break // the reason comes below
		} else if err != nil {
			return nil, err
		}
	}
	if err := stream.CloseSend(); err != nil {
		return nil, err
	}
	m, err := stream.Recv()
	if err != nil {
		return nil, err
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		return nil, err
	}
	return m.GetGroups()[0].GetScores()[0], nil
}

func TestWhatAScoreGetsAndGives(t *testing.T) {
	p := rude(t)
	for deed, want := range map[string]float64{"none": 1.5, "ages": 10, "lists": 1, "spectrum": 0.4} {
		got, err := do(t.Context(), p, deed)
		require.NoError(t, err, deed)
		assert.InDelta(t, want, got.GetValue(), 1e-15, deed)
	}
	got, err := do(t.Context(), p, "reason")
	require.NoError(t, err)
	assert.Equal(t, "all cells are grey", got.GetNotComputed())
	first, err := do(t.Context(), p, "seed")
	require.NoError(t, err)
	again, err := do(t.Context(), rude(t), "seed")
	require.NoError(t, err)
	assert.Equal(t, first.GetValue(), again.GetValue(), "the seed is all that chance has")
}

// TestFaultsOfTheAuthorsCode lets a score do what it must not: the call ends with INTERNAL, naming module, score and group, and the process goes on.
func TestFaultsOfTheAuthorsCode(t *testing.T) {
	var mu sync.Mutex
	var log bytes.Buffer
	p := rude(t, func(c *host.Config) { c.Logger = slog.New(slog.NewTextHandler(&lockedWriter{mu: &mu, w: &log}, nil)) })
	for deed, want := range map[string]string{
		"raise": "KeyError: 'madder'", "exit": "SystemExit: 3", "deepen": "RecursionError", "missing parameter": "KeyError: 'no such'",
		"nan": "is nan, want a finite number", "infinity": "is inf,", "text": "is '3',", "true": "is True,", "nothing": "is None,",
	} {
		_, err := do(t.Context(), p, deed)
		assert.Equal(t, codes.Internal, status.Code(err), deed)
		assert.Contains(t, status.Convert(err).Message(), `module rude: score deed of group "weld \"yellow\""`, deed)
		assert.Contains(t, status.Convert(err).Message(), want, deed)
	}
	got, err := do(t.Context(), p, "none")
	require.NoError(t, err)
	assert.Equal(t, 1.5, got.GetValue())
	p.Stop(plugintest.Patience)
	assert.Equal(t, "exit status 0", p.ExitText())
	assert.Contains(t, p.StderrTail(), "Traceback", "the log has the stack")
	mu.Lock()
	defer mu.Unlock()
	assert.Regexp(t, `level=ERROR msg="exception in a call" module=rude .*KeyError`, log.String())
}

// What is more than a score takes is no fault of anyone: it comes as a Go module says it, naming the group, and isn't logged as an exception.
func TestAScoreSaysThatAQuestionIsTooMuch(t *testing.T) {
	p := rude(t)
	_, err := do(t.Context(), p, "too much")
	assert.Equal(t, map[string]string{"header.labels.groups[0]": `is "weld \"yellow\"", which is too much for score deed: 2 cells, want at most 1`}, moduletest.TooMuch(t, err))
	got, err := do(t.Context(), p, "none")
	require.NoError(t, err)
	assert.Equal(t, 1.5, got.GetValue())
	p.Stop(plugintest.Patience)
	assert.Equal(t, "exit status 0", p.ExitText())
	assert.NotContains(t, p.StderrTail(), "Traceback")
}

func TestParametersAreRefusedByName(t *testing.T) {
	p := rude(t)
	_, err := do(t.Context(), p, "dye", number("seconds", 61), number("warmth", 1), choice("seconds", "x"))
	said := moduletest.Refused(t, err)
	assert.Equal(t, "is 61, want 0 to 60", said["header.parameters[0].number"])
	assert.Equal(t, `is "warmth", want one of deed, seconds`, said["header.parameters[1].name"])
	assert.Equal(t, `is "seconds", which is set before: want each once`, said["header.parameters[2].name"])
	assert.Contains(t, said["header.parameters[3].choice"], `is "dye", want one of none, raise,`)
}

func TestStandardOutputHasTheHandshakeAlone(t *testing.T) {
	var mu sync.Mutex
	var out bytes.Buffer
	p := rude(t, func(c *host.Config) { c.Stdout = &lockedWriter{mu: &mu, w: &out} })
	_, err := do(t.Context(), p, "print")
	require.NoError(t, err)
	p.Stop(plugintest.Patience)
	mu.Lock()
	defer mu.Unlock()
	assert.Regexp(t, `^1\|1\|unix\|[^|]+\|grpc\|[A-Za-z0-9+/]+\n$`, out.String())
	for _, words := range []string{"printed while it was imported", "written on descriptor 1", "printed in a score", "written on standard error"} {
		assert.Contains(t, p.StderrTail(), words)
	}
}

type lockedWriter struct {
	mu *sync.Mutex
	w  io.Writer
}

func (l *lockedWriter) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(b)
}

// TestCallsGivenUpEnd leaves more endless calls than there are workers: none of them may go on.
func TestCallsGivenUpEnd(t *testing.T) {
	p := rude(t)
	var wg sync.WaitGroup
	for i := range 20 {
		wg.Go(func() {
			ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
			defer cancel()
			if i%2 == 0 { // half by cancelling, half by their deadline
				stop, leave := context.WithCancel(t.Context())
				time.AfterFunc(300*time.Millisecond, leave)
				ctx = stop
			}
			_, err := do(ctx, p, "spin")
			assert.Contains(t, []codes.Code{codes.Canceled, codes.DeadlineExceeded}, status.Code(err), "%v", err)
		})
	}
	wg.Wait()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	_, err := do(ctx, p, "none")
	require.NoError(t, err, "a worker is free again")
}

func TestHealthIsAnsweredWhileAllWorkersAreBusy(t *testing.T) {
	p := rude(t)
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	for range 20 {
		wg.Go(func() {
			_, err := do(ctx, p, "hold", number("seconds", 60))
			assert.Equal(t, codes.Canceled, status.Code(err), "%v", err)
		})
	}
	time.Sleep(500 * time.Millisecond)                             // long enough for the workers to begin; were it too short, the check would only ask less
	soon, done := context.WithTimeout(t.Context(), 40*time.Second) // less than they hold
	defer done()
	require.NoError(t, p.Healthy(soon))
	cancel()
	wg.Wait()
}

func TestItEndsWithThreadsOfTheAuthorsLeft(t *testing.T) {
	p := rude(t)
	_, err := do(t.Context(), p, "thread")
	require.NoError(t, err)
	p.Stop(plugintest.Patience)
	assert.Equal(t, "exit status 0", p.ExitText())
}

func TestItEndsWithItsHost(t *testing.T) {
	p := rude(t)
	p.DropLifeline()
	select {
	case <-p.Exited():
	case <-time.After(plugintest.Patience):
		t.Fatal("it lives on")
	}
}

// TestOnlyTheHostIsServed dials the socket as another program of the same user could, without a certificate and with one of its own.
func TestOnlyTheHostIsServed(t *testing.T) {
	var parent string
	p := rude(t, func(c *host.Config) { parent = c.SocketParent })
	found, err := filepath.Glob(filepath.Join(parent, "*", "plugin*"))
	require.NoError(t, err)
	require.Len(t, found, 1)
	for name, own := range map[string][]tls.Certificate{"none": nil, "its own": {certificate(t)}} {
		t.Run(name, func(t *testing.T) {
			conn, err := grpc.NewClient("unix://"+found[0], grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{
				InsecureSkipVerify: true, Certificates: own})))
			require.NoError(t, err)
			defer func() { assert.NoError(t, conn.Close()) }()
			_, err = healthv1.NewHealthClient(conn).Check(t.Context(), &healthv1.HealthCheckRequest{Service: "plugin"})
			assert.Equal(t, codes.Unavailable, status.Code(err), "%v", err)
		})
	}
	require.NoError(t, p.Healthy(t.Context()))
}

func certificate(t *testing.T) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), DNSNames: []string{"localhost"}}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

func TestSpanOfASampledCall(t *testing.T) {
	spans := make(chan []*tracepb.ResourceSpans, 1)
	p := rude(t, func(c *host.Config) { c.Spans = func(s []*tracepb.ResourceSpans) { spans <- s } })
	sc := trace.NewSpanContext(trace.SpanContextConfig{TraceID: trace.TraceID{1, 2}, SpanID: trace.SpanID{3}, TraceFlags: trace.FlagsSampled})
	for deed, want := range map[string]tracepb.Status_StatusCode{"none": tracepb.Status_STATUS_CODE_UNSET, "raise": tracepb.Status_STATUS_CODE_ERROR} {
		ctx := metadata.AppendToOutgoingContext(trace.ContextWithSpanContext(t.Context(), sc), "traceparent",
			"00-"+sc.TraceID().String()+"-"+sc.SpanID().String()+"-01")
		_, _ = do(ctx, p, deed) // its answers are other tests'
		select {
		case got := <-spans: // as the host has checked them
			s := got[0].GetScopeSpans()[0].GetSpans()[0]
			assert.Equal(t, "commonvat.module.palette.v2.PaletteService/ScorePalettes", s.GetName())
			id := sc.SpanID()
			assert.Equal(t, id[:], s.GetParentSpanId())
			assert.Equal(t, want, s.GetStatus().GetCode())
			assert.Equal(t, tracepb.Span_SPAN_KIND_SERVER, s.GetKind())
		case <-time.After(plugintest.Patience):
			t.Fatal("no span came")
		}
	}
	_, err := do(t.Context(), p, "none")
	require.NoError(t, err)
	assert.Empty(t, spans, "none of a call that isn't sampled")
}

func TestStartedByHand(t *testing.T) {
	folder := pythontest.Folder(t, "testdata/rude")
	run := func(env ...string) (int, string) {
		cmd := exec.CommandContext(t.Context(), filepath.Join(folder, "commonvat-module-rude"))
		cmd.Env = env
		out, err := cmd.CombinedOutput()
		var ended *exec.ExitError
		require.ErrorAs(t, err, &ended)
		return ended.ExitCode(), string(out)
	}
	code, said := run()
	assert.Equal(t, 2, code)
	assert.Contains(t, said, "rude 0.1.0 is a module of Commonvat (kind palette): it is started by a host, not by hand")
	assert.Contains(t, said, "commonvat module try "+folder)
	code, said = run("COMMONVAT_MODULE=d3a1f0c27be94586")
	assert.Equal(t, 2, code)
	assert.Contains(t, said, "the host gives no certificate")
	code, said = run("COMMONVAT_MODULE=d3a1f0c27be94586", "PLUGIN_PROTOCOL_VERSIONS=2")
	assert.Equal(t, 2, code)
	assert.Contains(t, said, "the host speaks protocol 2, this module 1")

	method := filepath.Join(folder, "method.py")
	text, err := os.ReadFile(method)
	require.NoError(t, err)
	for want, change := range map[string][2]string{
		`version is '0.1', want a semantic version`:     {`version="0.1.0"`, `version="0.1"`},
		"is among the scores, but not marked by @score": {"scores=[deed]", "scores=[spin]"},
		"law is 'gravity', want one of identity,":       {"scores=[deed]", "scores=[deed], laws=['gravity']"},
		"default is 1, which is out of its own range":   {`"s", 1, 0, 60`, `"s", 1, 2, 60`},
	} {
		require.NoError(t, os.WriteFile(method, []byte(strings.Replace(string(text), change[0], change[1], 1)), 0o600))
		code, said = run()
		assert.Equal(t, 2, code)
		assert.Contains(t, said, "module is incomplete: ")
		assert.Contains(t, said, want)
	}
}

// TestSaysWhatToInstall starts it in a Python without Debian's packages.
func TestSaysWhatToInstall(t *testing.T) {
	folder := pythontest.Folder(t, "testdata/rude")
	out, err := exec.CommandContext(t.Context(), python.Interpreter, "-SB", filepath.Join(folder, "commonvat-module-rude")).CombinedOutput()
	require.Error(t, err)
	assert.Contains(t, string(out), "on Debian: apt-get install python3-protobuf")
}

// TestTheCopyIsWhole holds the copy that modules get against the folder itself.
func TestTheCopyIsWhole(t *testing.T) {
	to := t.TempDir()
	require.NoError(t, python.CopyInto(to))
	entries, err := os.ReadDir(python.Package)
	require.NoError(t, err)
	for _, e := range entries {
		if e.Name() == "__pycache__" {
			continue
		}
		want, err := os.ReadFile(filepath.Join(python.Package, e.Name()))
		require.NoError(t, err)
		got, err := os.ReadFile(filepath.Join(to, python.Package, e.Name()))
		require.NoError(t, err)
		assert.Equal(t, string(want), string(got), e.Name())
	}
}

func TestUnits(t *testing.T) { pythontest.Unittest(t, "tests") }
