package catalogv1_test

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api/catalogv1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestMain(m *testing.M) {
	plugintest.Main(map[string]func(){"wide": func() { serve("wide") }, "hue": func() { serve("hue") }, "other-safety": func() { serve("other-safety") }, "broken": func() { os.Exit(3) },
		"misdoer": func() { serveReader("misdoer") }, "other": func() { serveReader("other") }})
	if parts := os.Getenv(hostEnv); parts != "" {
		runHost(parts)
	}
	os.Exit(m.Run())
}

// serve is a module that calls itself what its manifest says.
func serve(name string) {
	self, err := os.Executable()
	if err != nil {
		panic(err)
	}
	raw, err := os.ReadFile(filepath.Join(filepath.Dir(self), "module.json"))
	if err != nil {
		panic(err)
	}
	var manifest struct{ Version, Kind string }
	if err := json.Unmarshal(raw, &manifest); err != nil {
		panic(err)
	}
	sdk.Serve(echo.Module(name, manifest.Version, manifest.Kind, func(_ context.Context, in []byte) ([]byte, error) { return in, nil }))
}

type lab struct {
	t       *testing.T
	service *catalogv1.Service
	records *sqlite.Store
	modules *catalog.Catalog
	folder  string
}

func open(t *testing.T) *lab {
	t.Helper()
	l := &lab{t: t}
	var err error
	l.records, err = sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(t.TempDir(), "records.db")})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, l.records.Close()) })
	l.modules = catalogtest.Open(t, []string{plugintest.Folder(t, "wide", "1.0.0", sdk.KindPalette)}, func(c *catalog.Config) { l.folder = c.StoreDir })
	l.service = catalogv1.New(catalogv1.Config{Modules: l.modules, Folder: l.folder, Choices: l.records})
	return l
}

// install installs a build, with a report unless it is "".
func (l *lab) install(name, version, report string) string {
	l.t.Helper()
	return l.installOf(sdk.KindPalette, name, version, report)
}

func (l *lab) installOf(kind, name, version, report string) string {
	l.t.Helper()
	digest, err := catalog.Install(l.folder, plugintest.Folder(l.t, name, version, kind))
	require.NoError(l.t, err)
	if report != "" {
		require.NoError(l.t, catalog.KeepReport(l.folder, digest, []byte(report)))
	}
	return digest
}

// called is the call that a handler believes itself in.
type called struct{ grpc.ServerTransportStream }

func (called) Method() string { return "/test/Choose" }

func as(t *testing.T, role access.Role) context.Context {
	return access.WithCaller(grpc.NewContextWithServerTransportStream(t.Context(), called{}), access.Caller{ID: "ada", TokenID: "tada", Roles: []access.Role{role}})
}

const passed, failed = `{"passed":true}`, `{"passed":false,"steps":[]}`

func TestBuildsAreActivatedByTheirReports(t *testing.T) {
	l := open(t)
	researcher, coordinator := as(t, access.Researcher), as(t, access.Coordinator)
	untried, bad := l.install("hue", "1.0.0", ""), l.install("hue", "1.1.0", failed)
	good, newer := l.install("hue", "1.2.0", passed), l.install("wide", "2.0.0", passed)
	broken := l.install("broken", "1.0.0", passed)

	for _, digest := range []string{untried, bad} {
		_, err := l.service.ActivateModule(researcher, &catalogpb.ActivateModuleRequest{Digest: digest})
		require.ErrorIs(t, err, trial.ErrConflict)
		assert.ErrorContains(t, err, "no passing report")
	}
	_, err := l.service.ActivateModule(researcher, &catalogpb.ActivateModuleRequest{Digest: digestOf('9')})
	require.ErrorIs(t, err, trial.ErrNotFound)
	_, err = l.service.ActivateModule(researcher, &catalogpb.ActivateModuleRequest{Digest: broken})
	require.ErrorIs(t, err, trial.ErrConflict)
	assert.ErrorContains(t, err, "start")
	choices, err := l.records.ModuleChoices(t.Context())
	require.NoError(t, err)
	assert.Empty(t, choices, "what was refused is not kept")

	// A researcher adds a method; what answers by default is a coordinator's to change.
	got, err := l.service.ActivateModule(researcher, &catalogpb.ActivateModuleRequest{Digest: good, Reason: "a second opinion"})
	require.NoError(t, err)
	assert.False(t, got.GetDefaultOfKind())
	assert.Equal(t, catalogpb.ModuleState_MODULE_STATE_RUNNING, got.GetState())
	_, err = l.service.ActivateModule(researcher, &catalogpb.ActivateModuleRequest{Digest: newer})
	require.ErrorIs(t, err, trial.ErrForbidden)
	_, err = l.service.RetireModule(researcher, &catalogpb.RetireModuleRequest{Name: "wide"})
	require.ErrorIs(t, err, trial.ErrForbidden)
	got, err = l.service.ActivateModule(coordinator, &catalogpb.ActivateModuleRequest{Digest: newer})
	require.NoError(t, err)
	assert.True(t, got.GetDefaultOfKind())
	assert.Equal(t, "2.0.0", got.GetModule().GetVersion())
	again, err := l.service.ActivateModule(coordinator, &catalogpb.ActivateModuleRequest{Digest: newer})
	require.NoError(t, err)
	assert.Equal(t, got.GetSince().AsTime(), again.GetSince().AsTime(), "twice is once")

	builds, err := l.service.ListBuilds(researcher, &catalogpb.ListBuildsRequest{})
	require.NoError(t, err)
	standing := map[string]catalogpb.ReportStanding{}
	for _, b := range builds.GetBuilds() {
		standing[b.GetModule().GetDigest()] = b.GetReport()
		assert.Equal(t, b.GetModule().GetDigest() == good || b.GetModule().GetDigest() == newer, b.GetActive())
	}
	assert.Equal(t, catalogpb.ReportStanding_REPORT_STANDING_NONE, standing[untried])
	assert.Equal(t, catalogpb.ReportStanding_REPORT_STANDING_FAILED, standing[bad])
	report, err := l.service.GetBuildReport(researcher, &catalogpb.GetBuildReportRequest{Digest: bad})
	require.NoError(t, err)
	assert.JSONEq(t, failed, report.GetReportJson())

	// Every choice is in the audit trail, and stands for the next start.
	entries, err := l.records.AuditEntries(t.Context(), store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	require.Len(t, entries, 2)
	assert.Equal(t, []string{"module hue activated " + good}, entries[0].Subjects)
	assert.Equal(t, "a second opinion", entries[0].Reason)
	assert.Equal(t, "ada", entries[0].Actor.Member)
	active, err := catalog.ActiveWith(l.folder, l.chosen())
	require.NoError(t, err)
	assert.Equal(t, []string{newer, "broken", good}, active[sdk.KindPalette], "the default first; what nobody chose for stays as it was")
}

func (l *lab) chosen() (chosen []catalog.Chosen) {
	choices, err := l.records.ModuleChoices(l.t.Context())
	require.NoError(l.t, err)
	for _, c := range choices {
		chosen = append(chosen, catalog.Chosen{Name: c.Name, Kind: c.Kind, Digest: c.Digest, Default: c.Default, Retired: c.Retired})
	}
	return chosen
}

func digestOf(digit byte) string {
	out := make([]byte, 64)
	for i := range out {
		out[i] = digit
	}
	return string(out)
}

func TestRollBackDefaultRetireAndQuarantine(t *testing.T) {
	l := open(t)
	coordinator, steward := as(t, access.Coordinator), as(t, access.Steward)
	first := l.modules.Status()[0].Digest
	require.NoError(t, catalog.KeepReport(l.folder, first, []byte(passed)))
	newer, hue := l.install("wide", "2.0.0", passed), l.install("hue", "1.0.0", passed)
	_, err := l.service.RollBackModule(coordinator, &catalogpb.RollBackModuleRequest{Name: "wide"})
	require.ErrorIs(t, err, trial.ErrConflict)
	_, err = l.service.RollBackModule(coordinator, &catalogpb.RollBackModuleRequest{Name: "nobody"})
	require.ErrorIs(t, err, trial.ErrNotFound)
	_, err = l.service.ActivateModule(coordinator, &catalogpb.ActivateModuleRequest{Digest: newer})
	require.NoError(t, err)
	back, err := l.service.RollBackModule(coordinator, &catalogpb.RollBackModuleRequest{Name: "wide"})
	require.NoError(t, err)
	assert.Equal(t, first, back.GetModule().GetDigest())
	forth, err := l.service.RollBackModule(coordinator, &catalogpb.RollBackModuleRequest{Name: "wide"})
	require.NoError(t, err)
	assert.Equal(t, newer, forth.GetModule().GetDigest(), "back again")

	_, err = l.service.ActivateModule(coordinator, &catalogpb.ActivateModuleRequest{Digest: hue, MakeDefault: true})
	require.NoError(t, err)
	assert.Equal(t, "hue", l.modules.Status()[0].Name)
	_, err = l.service.SetDefaultModule(coordinator, &catalogpb.SetDefaultModuleRequest{Name: "wide"})
	require.NoError(t, err)
	assert.Equal(t, "wide", l.modules.Status()[0].Name)
	_, err = l.service.RetireModule(coordinator, &catalogpb.RetireModuleRequest{Name: "wide"})
	require.NoError(t, err)
	require.Len(t, l.modules.Status(), 1)
	assert.True(t, l.modules.Status()[0].Default, "the one that is left answers")
	assert.Contains(t, l.chosen(), catalog.Chosen{Name: "hue", Kind: sdk.KindPalette, Digest: hue, Default: true}, "and when the core starts again")
	_, err = l.service.RetireModule(coordinator, &catalogpb.RetireModuleRequest{Name: "wide"})
	require.ErrorIs(t, err, trial.ErrNotFound)
	active, err := catalog.ActiveWith(l.folder, l.chosen())
	require.NoError(t, err)
	assert.Equal(t, map[string][]string{sdk.KindPalette: {hue}}, active, "what is retired stays so")
	forth, err = l.service.RollBackModule(coordinator, &catalogpb.RollBackModuleRequest{Name: "wide"})
	require.NoError(t, err)
	assert.Equal(t, newer, forth.GetModule().GetDigest(), "what served before none did")
	assert.False(t, forth.GetDefaultOfKind())
	_, err = l.service.RetireModule(coordinator, &catalogpb.RetireModuleRequest{Name: "wide"})
	require.NoError(t, err)

	_, err = l.service.LiftQuarantine(steward, &catalogpb.LiftQuarantineRequest{Name: "hue"})
	require.ErrorIs(t, err, trial.ErrConflict)
	h, err := l.modules.Acquire("hue")
	require.NoError(t, err)
	h.Release()
	for range 5 { // as often as leads to quarantine
		require.Eventually(t, func() bool {
			return l.modules.Status()[0].State != catalog.StateStarting && l.modules.Status()[0].State != catalog.StateBackoff
		}, 60*time.Second, 5*time.Millisecond)
		if l.modules.Status()[0].State == catalog.StateQuarantined {
			break
		}
		h, err := l.modules.Acquire("hue")
		require.NoError(t, err)
		restarts := l.modules.Status()[0].Restarts
		for range 3 {
			h.Blame("no figure")
		}
		h.Release()
		require.Eventually(t, func() bool {
			st := l.modules.Status()[0]
			return st.Restarts > restarts || st.State == catalog.StateQuarantined
		}, 60*time.Second, 5*time.Millisecond)
	}
	require.Eventually(t, func() bool { return l.modules.Status()[0].State == catalog.StateQuarantined }, 60*time.Second, 5*time.Millisecond)
	assert.Equal(t, 15, l.modules.Status()[0].Wrong)
	lifted, err := l.service.LiftQuarantine(steward, &catalogpb.LiftQuarantineRequest{Name: "hue", Reason: "mended"})
	require.NoError(t, err)
	assert.Equal(t, catalogpb.ModuleState_MODULE_STATE_RUNNING, lifted.GetState(), "the answer is what became of it")
	assert.Equal(t, l.modules.Status()[0].Restarts, int(lifted.GetRestarts()))
}

// slowStart is a module that starts for longer than anybody waits, beside one that runs.
type slowStart struct {
	catalogv1.Modules
	mu      sync.Mutex
	state   catalog.State
	settled chan struct{}
	chosen  []string // as defaults
}

func (m *slowStart) Status() []catalog.Status {
	m.mu.Lock()
	defer m.mu.Unlock()
	return []catalog.Status{{Module: catalog.Module{Name: "hue", Kind: sdk.KindPalette}, State: m.state}, {Module: catalog.Module{Name: "wide", Kind: sdk.KindPalette}, State: catalog.StateRunning}}
}

func (m *slowStart) to(s catalog.State) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.state = s
}

func (m *slowStart) Revive(string) (<-chan struct{}, error) {
	m.to(catalog.StateStarting)
	return m.settled, nil
}

func (m *slowStart) SetDefault(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.chosen = append(m.chosen, name)
	return nil
}

// keepsNothing takes every choice.
type keepsNothing struct{}

func (keepsNothing) ModuleChoices(context.Context) ([]store.ModuleChoice, error) { return nil, nil }

func (keepsNothing) ChooseModule(context.Context, store.Actor, store.ModuleChoice, string, string) error {
	return nil
}

// A start that takes long isn't waited for: the answer says that it goes on. A caller that has gone gets none.
func TestLiftingWaitsAWhileAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := &slowStart{state: catalog.StateQuarantined, settled: make(chan struct{})}
		service := catalogv1.New(catalogv1.Config{Modules: slow})
		began := time.Now()
		got, err := service.LiftQuarantine(as(t, access.Steward), &catalogpb.LiftQuarantineRequest{Name: "hue"})
		require.NoError(t, err)
		assert.Equal(t, catalogpb.ModuleState_MODULE_STATE_STARTING, got.GetState())
		assert.Equal(t, 10*time.Second, time.Since(began))

		slow.to(catalog.StateQuarantined)
		gone, cancel := context.WithTimeout(as(t, access.Steward), time.Second)
		defer cancel()
		_, err = service.LiftQuarantine(gone, &catalogpb.LiftQuarantineRequest{Name: "hue"})
		require.ErrorIs(t, err, context.DeadlineExceeded)
	})
}

// Whoever chooses another module doesn't wait for a start that somebody else waits for.
func TestOthersChooseWhileOneLifts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow := &slowStart{state: catalog.StateQuarantined, settled: make(chan struct{})}
		service := catalogv1.New(catalogv1.Config{Modules: slow, Choices: keepsNothing{}})
		var lifted *catalogpb.ModuleStatus
		var lifting sync.WaitGroup
		lifting.Go(func() {
			var err error
			lifted, err = service.LiftQuarantine(as(t, access.Steward), &catalogpb.LiftQuarantineRequest{Name: "hue"})
			assert.NoError(t, err)
		})
		synctest.Wait() // it waits for the start
		began := time.Now()
		_, err := service.SetDefaultModule(as(t, access.Coordinator), &catalogpb.SetDefaultModuleRequest{Name: "wide"})
		require.NoError(t, err)
		assert.Zero(t, time.Since(began))
		assert.Equal(t, []string{"wide"}, slow.chosen)
		slow.to(catalog.StateRunning)
		close(slow.settled)
		lifting.Wait()
		assert.Equal(t, catalogpb.ModuleState_MODULE_STATE_RUNNING, lifted.GetState())
	})
}

// All safety modules are asked together: a researcher may add one, and only a coordinator takes away what one holds.
func TestSafetyIsTakenAwayByCoordinators(t *testing.T) {
	l := open(t)
	researcher, coordinator := as(t, access.Researcher), as(t, access.Coordinator)
	first, second := l.installOf(sdk.KindSafety, "hue", "1.0.0", passed), l.installOf(sdk.KindSafety, "other-safety", "1.0.0", passed)
	newer := l.installOf(sdk.KindSafety, "other-safety", "1.1.0", passed)
	_, err := l.service.ActivateModule(coordinator, &catalogpb.ActivateModuleRequest{Digest: first})
	require.NoError(t, err)
	_, err = l.service.ActivateModule(researcher, &catalogpb.ActivateModuleRequest{Digest: second})
	require.NoError(t, err, "more rules")
	_, err = l.service.ActivateModule(researcher, &catalogpb.ActivateModuleRequest{Digest: newer})
	require.ErrorIs(t, err, trial.ErrForbidden, "other rules")
	_, err = l.service.RetireModule(researcher, &catalogpb.RetireModuleRequest{Name: "other-safety"})
	require.ErrorIs(t, err, trial.ErrForbidden, "fewer rules")
	_, err = l.service.ActivateModule(coordinator, &catalogpb.ActivateModuleRequest{Digest: newer})
	require.NoError(t, err)
	_, err = l.service.RollBackModule(researcher, &catalogpb.RollBackModuleRequest{Name: "other-safety"})
	require.ErrorIs(t, err, trial.ErrForbidden)
	_, err = l.service.RetireModule(coordinator, &catalogpb.RetireModuleRequest{Name: "other-safety"})
	require.NoError(t, err)
}
