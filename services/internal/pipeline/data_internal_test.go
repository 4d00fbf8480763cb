package pipeline

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
)

func TestMain(m *testing.M) {
	modules := map[string]func(){}
	for _, name := range []string{"keeps", "small", "greedy", "stranger", "refuses", "full", "nameless", "liar"} {
		modules[name] = func() { serveHolder(name) }
	}
	plugintest.Main(modules)
	os.Exit(m.Run())
}

// holder is a safety module that holds data in the way of its name.
type holder struct {
	safetyv1.UnimplementedSafetyServiceServer
	datav1.UnimplementedDataServiceServer
	way string

	mu   sync.Mutex
	held []string
	puts int
}

func serveHolder(way string) {
	h := &holder{way: way}
	sdk.Serve(sdk.Module{
		Describe: &describev1.DescribeResponse{
			Name: way, Version: "1.0.0", Kind: sdk.KindSafety, Contracts: []string{"commonvat.module.safety.v1", DataContract},
			Summary: "Holds data, for tests.", Author: "The Commonvat Authors",
		},
		Register: func(s *grpc.Server) {
			safetyv1.RegisterSafetyServiceServer(s, h)
			datav1.RegisterDataServiceServer(s, h)
		},
	})
}

// PutData keeps digests; the small module keeps the last alone.
func (h *holder) PutData(_ context.Context, r *datav1.PutDataRequest) (*datav1.PutDataResponse, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.puts++
	switch h.way {
	case "refuses":
		var v sdk.Violations
		v.Add("content", "line 3, A: it can't be read")
		return nil, v.Err()
	case "full":
		return nil, status.Error(codes.ResourceExhausted, "content has 3 bytes, want at most 2")
	case "nameless":
		return &datav1.PutDataResponse{Version: "1"}, nil
	case "small":
		h.held = nil
	}
	h.held = append(h.held, r.GetSha256())
	return &datav1.PutDataResponse{Name: "a pack", Version: "1"}, nil
}

// ListOwnData tells a digest that isn't that of the content.
func (h *holder) ListOwnData(context.Context, *datav1.ListOwnDataRequest) (*datav1.ListOwnDataResponse, error) {
	if h.way != "liar" {
		return nil, status.Error(codes.Unimplemented, "none")
	}
	return &datav1.ListOwnDataResponse{Data: []*datav1.OwnData{{Sha256: strings.Repeat("0", 64), Name: "own", Version: "1", Content: []byte("x")}}}, nil
}

// JudgeSteps answers how often data was put, or asks for what it lacks. A step called "end" ends the process.
func (h *holder) JudgeSteps(_ context.Context, r *safetyv1.JudgeStepsRequest) (*safetyv1.JudgeStepsResponse, error) {
	if r.GetSteps()[0].GetStepId() == "end" {
		os.Exit(3)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	needs := &errdetails.PreconditionFailure{}
	for _, digest := range r.GetPackSha256() {
		switch {
		case h.way == "stranger":
			digest = strings.Repeat("f", 64)
		case h.way != "greedy" && slices.Contains(h.held, digest):
			continue
		}
		needs.Violations = append(needs.Violations, &errdetails.PreconditionFailure_Violation{Type: sdk.NeedsData, Subject: digest})
	}
	if len(needs.GetViolations()) > 0 {
		st, err := status.New(codes.FailedPrecondition, "needs data").WithDetails(needs)
		if err != nil {
			return nil, err
		}
		return nil, st.Err()
	}
	return &safetyv1.JudgeStepsResponse{StandingCautions: []string{fmt.Sprint(h.puts)}}, nil
}

// shelf is contents of a test, and how often each was read.
type shelf struct {
	texts map[string]string
	reads atomic.Int64
}

func (s *shelf) Content(digest string) ([]byte, error) {
	s.reads.Add(1)
	if text, ok := s.texts[digest]; ok {
		return []byte(text), nil
	}
	return nil, fmt.Errorf("/somewhere/%s: %w", digest, fs.ErrNotExist)
}

// running lets the pipeline find the modules of a catalog.
type running struct{ *catalog.Catalog }

func (running) Serving(string, string) []string { return nil }

func (r running) Acquire(ref string) (Handle, error) {
	h, err := r.Catalog.Acquire(ref)
	if err != nil {
		return nil, err
	}
	return known{h}, nil
}

type known struct{ *catalog.Handle }

func (k known) Identity() *typesv1.ModuleIdentity {
	m := k.Module()
	return &typesv1.ModuleIdentity{Name: m.Name, Version: m.Version, Digest: m.Digest, Kind: m.Kind}
}

// judge asks a module by its name.
func judge(ctx context.Context, p *Pipeline, module, step string, digests ...string) (*safetyv1.JudgeStepsResponse, error) {
	h, err := p.acquireFrom(sdk.KindSafety, module)
	if err != nil {
		return nil, err
	}
	defer h.handle.Release()
	answer, err := safetyv1.NewSafetyServiceClient(h.handle).JudgeSteps(ctx, &safetyv1.JudgeStepsRequest{PackSha256: digests, Steps: []*safetyv1.StepFacts{{StepId: step}}})
	if err != nil {
		return nil, h.failed(ctx, err)
	}
	return answer, nil
}

const (
	oneSum = "7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed" // SHA-256 of "one", by sha256sum(1)
	twoSum = "3fc4ccfe745870e2c0d99f71f30ff0656c8dedd41cc1d7d3d376b0dbe685e2f3"
)

func open(t *testing.T, names ...string) (*Pipeline, *catalog.Catalog, *shelf) {
	t.Helper()
	var folders []string
	for _, name := range names {
		folders = append(folders, plugintest.Folder(t, name, "1.0.0", sdk.KindSafety))
	}
	c := catalogtest.Open(t, folders, func(cfg *catalog.Config) { cfg.BackoffFirst = 10 * time.Millisecond })
	kept := &shelf{texts: map[string]string{oneSum: "one", twoSum: "two"}}
	return New(running{c}).WithContents(kept), c, kept
}

// Data is sent once, also when many ask at once, and again to a process that took the place of one that ended.
func TestDataIsSentOnce(t *testing.T) {
	p, c, kept := open(t, "keeps")
	var all sync.WaitGroup
	for range 16 {
		all.Go(func() {
			_, err := judge(context.Background(), p, "keeps", "a", oneSum, twoSum)
			assert.NoError(t, err)
		})
	}
	all.Wait()
	answer, err := judge(t.Context(), p, "keeps", "a", twoSum)
	require.NoError(t, err)
	assert.Equal(t, []string{"2"}, answer.GetStandingCautions(), "two pieces were put")
	assert.Equal(t, int64(2), kept.reads.Load())

	_, err = judge(t.Context(), p, "keeps", "end")
	require.ErrorIs(t, err, ErrModuleUnavailable)
	require.Eventually(t, func() bool { return c.Status()[0].State == catalog.StateRunning && c.Status()[0].Restarts == 1 }, time.Minute, 10*time.Millisecond)
	answer, err = judge(t.Context(), p, "keeps", "a", oneSum)
	require.NoError(t, err)
	assert.Equal(t, []string{"1"}, answer.GetStandingCautions(), "a new process knows nothing")
	assert.Zero(t, c.Status()[0].Wrong)
}

// A module that holds a single piece is given another for each caller, and blamed for nothing, though callers want different ones at once.
func TestModuleThatHoldsLittle(t *testing.T) {
	p, c, _ := open(t, "small")
	var all sync.WaitGroup
	for i := range 16 {
		all.Go(func() {
			_, err := judge(context.Background(), p, "small", "a", []string{oneSum, twoSum}[i%2])
			assert.NoError(t, err)
		})
	}
	all.Wait()
	assert.Zero(t, c.Status()[0].Wrong)
	_, err := judge(t.Context(), p, "small", "a", oneSum, twoSum)
	var fault *ModuleError
	require.ErrorAs(t, err, &fault)
	assert.Equal(t, "small", fault.Module)
	require.ErrorIs(t, err, ErrModuleAnswer, "of two it loses one each time")
	assert.Equal(t, 1, c.Status()[0].Wrong)
}

// Each fault is told by the module's name, or as nobody's; the others go on answering.
func TestDeliveryFaults(t *testing.T) {
	p, c, _ := open(t, "keeps", "greedy", "stranger", "refuses", "full", "nameless", "liar")
	for module, want := range map[string]struct {
		class error
		says  string
	}{
		"greedy":   {ErrModuleAnswer, "asks again"},
		"stranger": {ErrModuleAnswer, "which the call doesn't name"},
		"refuses":  {ErrModuleUnavailable, "line 3, A"},
		"full":     {ErrModuleUnavailable, "at most 2"}, // whoever plans can't make a pack smaller
		"nameless": {ErrModuleAnswer, `the name is ""`},
	} {
		_, err := judge(t.Context(), p, module, "a", oneSum)
		var fault *ModuleError
		require.ErrorAs(t, err, &fault, module)
		assert.Equal(t, module, fault.Module)
		require.ErrorIs(t, err, want.class)
		require.ErrorContains(t, err, want.says)
		for _, s := range c.Status() {
			if s.Name == module {
				assert.Equal(t, errors.Is(want.class, ErrModuleAnswer), s.Wrong == 1, "%s has %d wrong answers", module, s.Wrong)
			}
		}
		_, err = judge(t.Context(), p, "keeps", "a", oneSum)
		require.NoError(t, err)
	}
	_, err := judge(t.Context(), p, "keeps", "a", strings.Repeat("0", 64))
	require.ErrorIs(t, err, ErrNoData)
	assert.NotContains(t, err.Error(), "somewhere", "where files are is nobody's business")

	liar, err := p.OpenData("liar")
	require.NoError(t, err)
	defer liar.Close()
	_, err = liar.Own(t.Context())
	require.ErrorIs(t, err, ErrModuleAnswer)
	require.ErrorContains(t, err, "data[0]: sha256")
	keeps, err := p.OpenData("keeps")
	require.NoError(t, err)
	defer keeps.Close()
	own, err := keeps.Own(t.Context())
	require.NoError(t, err)
	assert.Empty(t, own)
	told, err := keeps.Try(t.Context(), []byte("one"))
	require.NoError(t, err)
	assert.Equal(t, Data{Digest: oneSum, Name: "a pack", Version: "1"}, told)
	_, err = p.OpenData("nobody")
	require.ErrorIs(t, err, catalog.ErrNoModule)
	for _, module := range []string{"refuses", "full"} {
		refuses, err := p.OpenData(module)
		require.NoError(t, err)
		defer refuses.Close()
		_, err = refuses.Try(t.Context(), []byte("one"))
		require.ErrorIs(t, err, ErrModuleRefused)
	}
}

// A caller that gives up while another puts data is told so, and doesn't wait.
func TestGivingUpAtTheDoor(t *testing.T) {
	p, c, _ := open(t, "keeps")
	leave, err := p.doors.of(c.Status()[0].Digest).enter(t.Context())
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	_, err = judge(ctx, p, "keeps", "a", oneSum)
	require.ErrorIs(t, err, context.DeadlineExceeded)
	leave()
	_, err = judge(t.Context(), p, "keeps", "a", oneSum)
	require.NoError(t, err)
}

// Without contents, a module that asks for data has refused the question.
func TestWithoutContents(t *testing.T) {
	_, c, _ := open(t, "keeps")
	_, err := judge(t.Context(), New(running{c}), "keeps", "a", oneSum)
	require.ErrorIs(t, err, ErrModuleRefused)
}

// The real safety module judges by a pack that it is sent, and by what it came with beside it; and again in a new process after it was killed.
func TestRealSafetyModuleIsSentPacks(t *testing.T) {
	const program = "../../../plugins/safety/cmd/commonvat-module-safety-rules"
	var manifest struct{ Version string }
	text, err := os.ReadFile(program + "/module.json")
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &manifest))
	c := catalogtest.Open(t, []string{catalogtest.Build(t, program, "safety-rules", manifest.Version, sdk.KindSafety)}, func(cfg *catalog.Config) {
		cfg.BackoffFirst = 10 * time.Millisecond
	})
	const pack = "name: ours\nversion: 1.0.0\nrules:\n  - {id: K1, severity: stop, harms: person, topic: t, when: vessel.sealed, override: never, title: t, reason: r, do: d, " +
		"source: a test, confidence: high, fires: {vessel.sealed: true}, silent: {vessel.sealed: false}}\n"
	sum := sha256.Sum256([]byte(pack))
	digest := hex.EncodeToString(sum[:])
	p := New(running{c}).WithContents(&shelf{texts: map[string]string{digest: pack}})
	m, err := p.OpenData("safety-rules")
	require.NoError(t, err)
	own, err := m.Own(t.Context())
	require.NoError(t, err)
	m.Close()
	require.Len(t, own, 1)
	fires := func() bool {
		answer, err := judge(t.Context(), p, "safety-rules", "a", digest, own[0].Digest)
		if errors.Is(err, ErrModuleUnavailable) {
			return false
		}
		require.NoError(t, err)
		require.Len(t, answer.GetPacks(), 2)
		return slices.ContainsFunc(answer.GetSteps()[0].GetFindings(), func(f *safetyv1.Finding) bool {
			return f.GetRuleId() == "K1" && f.GetPackSha256() == digest && f.GetStanding() == safetyv1.Standing_STANDING_NEEDS_ANSWER
		})
	}
	assert.True(t, fires(), "nothing is known of the vessel: the stop needs an answer")
	require.NoError(t, syscall.Kill(c.Status()[0].PID, syscall.SIGKILL))
	require.Eventually(t, func() bool { return c.Status()[0].Restarts == 1 && c.Status()[0].State == catalog.StateRunning }, 30*time.Second, 10*time.Millisecond)
	require.Eventually(t, fires, time.Minute, 50*time.Millisecond)
	assert.Zero(t, c.Status()[0].Wrong)
}
