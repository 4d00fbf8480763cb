package catalogv1_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	readingv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/reading/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/catalogv1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The misdeeds, as lightnesses of the first measurement: what a module gets is a question of its contract, and nothing else.
const (
	honest = 50 + iota
	sleeps
	panics
	freezes
	prints
	forks
	leaks
	ignores
	exits
	answersNaN
	answersTooFew
	answersOutOfRange
	answersNothing
	answersTwice
	fails
)

// reader is a reading module that does what the first lightness says.
type reader struct {
	readingv1.UnimplementedReadingServiceServer
}

func serveReader(name string) {
	sdk.Serve(sdk.Module{
		Describe: echo.Module(name, "1.0.0", sdk.KindReading, echo.Back).Describe,
		Register: func(s *grpc.Server) { readingv1.RegisterReadingServiceServer(s, reader{}) },
	})
}

func (reader) ComputeColours(ctx context.Context, r *readingv1.ComputeColoursRequest) (*readingv1.ComputeColoursResponse, error) {
	out := &readingv1.ComputeColoursResponse{}
	for _, raw := range r.GetRaw() {
		out.Colours = append(out.Colours, &readingv1.ComputedColour{Lab: raw.GetLab()})
	}
	first := out.GetColours()[0]
	switch int(r.GetRaw()[0].GetLab().GetL()) {
	case sleeps:
		<-ctx.Done()
		return nil, status.FromContextError(ctx.Err()).Err()
	case panics:
		go panic("the pot boiled over") // where no handler catches it
		time.Sleep(time.Minute)
	case freezes:
		_ = syscall.Kill(os.Getpid(), syscall.SIGSTOP)
		time.Sleep(time.Minute) // should this thread be the last to stop
	case prints:
		fmt.Println("1|1|unix|/nowhere|grpc| what may this be?")
	case forks:
		cmd := exec.Command("/bin/sleep", "600") // a grandchild that holds every descriptor it can get
		cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
		if err := cmd.Start(); err != nil {
			return nil, err
		}
		os.Exit(9)
	case leaks:
		held := make([]byte, 600<<20)
		for i := range held {
			held[i] = byte(i)
		}
		<-ctx.Done()
		first.GetLab().L = float64(held[1])
	case ignores:
		time.Sleep(time.Minute)
	case exits:
		os.Exit(7)
	case answersNaN:
		first.Lab.A = math.NaN()
	case answersTooFew:
		out.Colours = out.GetColours()[1:]
	case answersOutOfRange:
		first.StrengthKs = proto.Float64(-1)
	case answersNothing:
		first.Lab = nil
	case answersTwice:
		first.Fault = "and yet it is a fault"
	case fails:
		return nil, errors.New("something or other")
	}
	return out, nil
}

// source lets the pipeline find the modules of a catalog.
type source struct{ *catalog.Catalog }

func (source) Serving(string, string) []string { return nil }

func (s source) Acquire(ref string) (pipeline.Handle, error) {
	h, err := s.Catalog.Acquire(ref)
	if err != nil {
		return nil, err
	}
	return identified{h}, nil
}

type identified struct{ *catalog.Handle }

func (h identified) Identity() *typesv1.ModuleIdentity {
	m := h.Module()
	return &typesv1.ModuleIdentity{Name: m.Name, Version: m.Version, Digest: m.Digest, Kind: m.Kind}
}

// Whatever a module does, its caller is told whose fault it was, the list of modules shows the state that it came to and why, and meanwhile records are
// kept, and the other module answers, without one failure.
func TestMisdeedsEndInANamedState(t *testing.T) {
	const quarantined, running = catalogpb.ModuleState_MODULE_STATE_QUARANTINED, catalogpb.ModuleState_MODULE_STATE_RUNNING
	for name, c := range map[string]struct {
		does   float64
		class  error // of the caller's error; nil: it got its answer
		state  catalogpb.ModuleState
		reason string
		wrong  int32
	}{
		"sleeps":                      {sleeps, pipeline.ErrModuleTooSlow, quarantined, "took longer than", 0},
		"panics":                      {panics, pipeline.ErrModuleUnavailable, quarantined, "exit status 2", 0},
		"freezes":                     {freezes, pipeline.ErrModuleUnavailable, quarantined, "", 0},
		"prints on standard output":   {prints, nil, running, "", 0},
		"leaves a grandchild":         {forks, pipeline.ErrModuleUnavailable, quarantined, "exit status 9", 0},
		"leaks memory":                {leaks, nil, quarantined, "MiB of memory", 0},
		"ignores cancellation":        {ignores, pipeline.ErrModuleTooSlow, quarantined, "took longer than", 0},
		"exits during a call":         {exits, pipeline.ErrModuleUnavailable, quarantined, "exit status 7", 0},
		"answers NaN":                 {answersNaN, pipeline.ErrModuleAnswer, quarantined, "colours[0].lab", 1},
		"answers too few":             {answersTooFew, pipeline.ErrModuleAnswer, quarantined, "colours has 1 answers for 2 measurements", 1},
		"answers out of range":        {answersOutOfRange, pipeline.ErrModuleAnswer, quarantined, "colours[0].strength_ks", 1},
		"answers with what's missing": {answersNothing, pipeline.ErrModuleAnswer, quarantined, "colours[0] has neither", 1},
		"answers twice":               {answersTwice, pipeline.ErrModuleAnswer, quarantined, "colours[0] has both", 1},
		"fails without a word":        {fails, pipeline.ErrModuleAnswer, quarantined, "something or other", 1},
	} {
		t.Run(name, func(t *testing.T) {
			records, err := sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(t.TempDir(), "records.db")})
			require.NoError(t, err)
			defer func() { assert.NoError(t, records.Close()) }()
			health, call := 20*time.Second, 9*time.Second
			switch c.does { // what ends these isn't the time of the call
			case freezes:
				health, call = 3*time.Second, time.Minute
			case leaks:
				call = time.Minute
			}
			modules := catalogtest.Open(t, []string{plugintest.Folder(t, "misdoer", "1.0.0", sdk.KindReading), plugintest.Folder(t, "other", "1.0.0", sdk.KindReading)}, func(c *catalog.Config) {
				c.HealthInterval, c.HealthTimeout, c.HealthFailures = 200*time.Millisecond, health, 2
				c.CallTimeout, c.MaxOverruns, c.MaxMemory, c.MaxWrong, c.CrashLimit = call, 1, 300<<20, 1, 1
			})
			service := catalogv1.New(catalogv1.Config{Modules: modules, Choices: records})
			asks := pipeline.New(source{modules})
			condition := trial.ColourCondition{Illuminant: trial.IlluminantD65, Observer: trial.Observer10}
			ask := func(ref string, lightness float64) error {
				h, err := source{modules}.Acquire(ref)
				if err != nil {
					return err
				}
				h.Release()
				if ref == "misdoer" { // the default of its kind
					r, err := asks.OpenReading()
					if err != nil {
						return err
					}
					defer r.Close()
					raw := []trial.RawColour{{Lab: &trial.Lab{L: lightness}, LabCondition: condition}, {Lab: &trial.Lab{L: honest}, LabCondition: condition}}
					got, err := r.Compute(context.Background(), condition, raw)
					if err == nil && len(got) != 2 {
						err = fmt.Errorf("%d colours", len(got))
					}
					return err
				}
				h, err = source{modules}.Acquire(ref)
				if err != nil {
					return err
				}
				defer h.Release()
				_, err = readingv1.NewReadingServiceClient(h).ComputeColours(context.Background(), &readingv1.ComputeColoursRequest{Raw: []*typesv1.RawColour{{Value: &typesv1.RawColour_Lab{Lab: &typesv1.Lab{L: lightness}}}}})
				return err
			}

			stop := make(chan struct{})
			var served sync.WaitGroup
			defer served.Wait()
			var once sync.Once
			end := func() { once.Do(func() { close(stop) }) }
			defer end()
			var kept, answered atomic.Int64
			meanwhile := func(count *atomic.Int64, do func(n int64) error) {
				served.Go(func() {
					for n := int64(0); ; n++ {
						select {
						case <-stop:
							return
						case <-time.After(5 * time.Millisecond):
						}
						if !assert.NoError(t, do(n)) {
							return
						}
						count.Add(1)
					}
				})
			}
			meanwhile(&kept, func(n int64) error {
				return records.CreateMember(context.Background(), store.Actor{Member: store.Server, Method: "test"}, store.MemberRow{ID: fmt.Sprintf("m%d", n), DisplayName: "m", Roles: []string{"member"}, CreatedAt: time.Now()})
			})
			meanwhile(&answered, func(int64) error { return ask("other", honest) })

			err = ask("misdoer", c.does)
			if c.class == nil {
				if c.state == running {
					assert.NoError(t, err)
				}
			} else {
				var fault *pipeline.ModuleError
				require.ErrorAs(t, err, &fault)
				assert.Equal(t, "misdoer", fault.Module)
				assert.ErrorIs(t, err, c.class)
			}
			var shown *catalogpb.ModuleStatus
			require.Eventually(t, func() bool {
				list, err := service.ListModules(t.Context(), &catalogpb.ListModulesRequest{})
				require.NoError(t, err)
				shown = list.GetModules()[0]
				return shown.GetState() == c.state
			}, 60*time.Second, 10*time.Millisecond)
			assert.Contains(t, shown.GetReason(), c.reason)
			assert.Equal(t, c.wrong, shown.GetWrongAnswers())
			assert.Equal(t, "misdoer", shown.GetModule().GetName())
			if c.state == quarantined {
				assert.NotEmpty(t, shown.GetReason())
				assert.Error(t, ask("misdoer", honest))
				_, err := service.LiftQuarantine(as(t, access.Steward), &catalogpb.LiftQuarantineRequest{Name: "misdoer", Reason: "let it try again"})
				require.NoError(t, err)
			}
			require.Eventually(t, func() bool { return ask("misdoer", honest) == nil }, 60*time.Second, 20*time.Millisecond, "a person let it go on")
			before := [2]int64{kept.Load(), answered.Load()}
			assert.Eventually(t, func() bool { return kept.Load() > before[0] && answered.Load() > before[1] }, time.Minute, 5*time.Millisecond)
			end()
			served.Wait()
		})
	}
}
