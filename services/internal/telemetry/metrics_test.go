package telemetry

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/metric"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/metric/metricdata"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/emptypb"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// measured is telemetry that a test collects from by hand.
func measured(t *testing.T) (*Telemetry, *sdkmetric.ManualReader) {
	t.Helper()
	reader := sdkmetric.NewManualReader()
	on := &Telemetry{log: slog.New(slog.DiscardHandler)}
	require.NoError(t, on.measure("1.2.3", nil, reader))
	t.Cleanup(func() { assert.NoError(t, on.Shutdown()) })
	return on, reader
}

// point is a collected value; of a histogram, the count.
type point struct {
	labels attribute.Set
	value  float64
}

// collect gives everything by name, and the descriptions.
func collect(t *testing.T, reader *sdkmetric.ManualReader) (map[string][]point, map[string]metricdata.Metrics) {
	t.Helper()
	var all metricdata.ResourceMetrics
	require.NoError(t, reader.Collect(t.Context(), &all))
	points, described := map[string][]point{}, map[string]metricdata.Metrics{}
	for _, scope := range all.ScopeMetrics {
		for _, m := range scope.Metrics {
			described[m.Name] = m
			switch data := m.Data.(type) {
			case metricdata.Sum[int64]:
				for _, p := range data.DataPoints {
					points[m.Name] = append(points[m.Name], point{p.Attributes, float64(p.Value)})
				}
			case metricdata.Gauge[int64]:
				for _, p := range data.DataPoints {
					points[m.Name] = append(points[m.Name], point{p.Attributes, float64(p.Value)})
				}
			case metricdata.Gauge[float64]:
				for _, p := range data.DataPoints {
					points[m.Name] = append(points[m.Name], point{p.Attributes, p.Value})
				}
			case metricdata.Histogram[float64]:
				for _, p := range data.DataPoints {
					points[m.Name] = append(points[m.Name], point{p.Attributes, float64(p.Count)})
				}
			case metricdata.Histogram[int64]:
				for _, p := range data.DataPoints {
					points[m.Name] = append(points[m.Name], point{p.Attributes, float64(p.Count)})
				}
			default:
				t.Fatalf("%s is of a kind that this test doesn't know: %T", m.Name, data)
			}
		}
	}
	return points, described
}

// valueOf is the value of the one point whose labels hold these.
func valueOf(t *testing.T, points []point, labels ...string) float64 {
	t.Helper()
	var found []float64
	for _, p := range points {
		if slices.IndexFunc(labels, func(want string) bool {
			return !slices.ContainsFunc(p.labels.ToSlice(), func(kv attribute.KeyValue) bool { return kv.Value.AsString() == want })
		}) < 0 {
			found = append(found, p.value)
		}
	}
	require.Len(t, found, 1, "%v among %v", labels, points)
	return found[0]
}

// lab answers one method and refuses the others.
type lab struct {
	labpb.UnimplementedTrialServiceServer
}

func (lab) GetTrial(context.Context, *labpb.GetTrialRequest) (*labpb.Trial, error) {
	return &labpb.Trial{}, nil
}

// served serves the lab over memory, with a health service and one that looks like a module's, and makes calls of all sorts.
func served(t *testing.T, on *Telemetry) {
	t.Helper()
	server := grpc.NewServer(on.ServerOptions(true)...)
	labpb.RegisterTrialServiceServer(server, lab{})
	healthpb.RegisterHealthServer(server, health.NewServer())
	for _, name := range []string{"plugin.GRPCController", "stranger.v1.Made"} { // registered, and yet not of our interface
		server.RegisterService(&grpc.ServiceDesc{ServiceName: name, HandlerType: (*any)(nil), Methods: []grpc.MethodDesc{{
			MethodName: "Shutdown", Handler: func(any, context.Context, func(any) error, grpc.UnaryServerInterceptor) (any, error) {
				return &emptypb.Empty{}, nil
			},
		}}}, struct{}{})
	}
	listener := bufconn.Listen(1 << 16)
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///lab", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	require.NoError(t, err)
	trials := labpb.NewTrialServiceClient(conn)
	_, err = trials.GetTrial(t.Context(), &labpb.GetTrialRequest{TrialId: "0197a2f0-0000-7000-8000-000000000001"})
	require.NoError(t, err)
	_, err = trials.SubmitTrial(t.Context(), &labpb.SubmitTrialRequest{})
	require.Equal(t, codes.Unimplemented, status.Code(err))
	_, err = healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	require.NoError(t, err)
	for _, method := range []string{"/plugin.GRPCController/Shutdown", "/stranger.v1.Made/Shutdown"} {
		require.NoError(t, conn.Invoke(t.Context(), method, &emptypb.Empty{}, &emptypb.Empty{}))
	}
	for i := range 50 { // what a stranger makes up
		err := conn.Invoke(t.Context(), fmt.Sprintf("/commonvat.lab.v1.TrialService/Guess%d", i), &emptypb.Empty{}, &emptypb.Empty{})
		require.Equal(t, codes.Unimplemented, status.Code(err))
	}
	require.NoError(t, conn.Close())
	server.GracefulStop()
	require.NoError(t, <-done)
}

// fakeSources answers as a core with one module running and one in quarantine.
func fakeSources(t *testing.T) Sources {
	t.Helper()
	backup := filepath.Join(t.TempDir(), "last-backup.json")
	require.NoError(t, os.WriteFile(backup, []byte(`{"time":"2026-03-01T10:00:00+01:00","path":"/somewhere"}`), 0o600))
	return Sources{
		Store: func() StoreState {
			return StoreState{QueueDepth: 3, LogBytes: 4096, CheckpointFailures: 2, Busy: 1, Replays: 7, GroupsLost: 4, Damaged: true, Schema: 2}
		},
		Modules: func() []ModuleState {
			return []ModuleState{
				{Name: "palette-width", Version: "1.0.0", Kind: "palette", State: "running", Restarts: 2, Wrong: 3},
				{Name: "compare-orders", Version: "0.9.0", Kind: "compare", State: "quarantined"},
			}
		},
		Pool:       func() PoolState { return PoolState{Lag: 5, Rows: 120} },
		BackupFile: backup,
		Now:        func() time.Time { return time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC) },
		Log:        slog.New(slog.DiscardHandler),
	}
}

// everything makes every instrument move.
func everything(t *testing.T, on *Telemetry) {
	t.Helper()
	served(t, on)
	end, err := on.Metrics().Observe(fakeSources(t))
	require.NoError(t, err)
	t.Cleanup(end)
	m := on.Metrics()
	m.Refused(t.Context(), "INVALID_FIELD")
	m.Refused(t.Context(), "CONFLICT")
	m.Refused(t.Context(), "CONFLICT")
	m.Unauthenticated(t.Context())
	m.RateLimited(t.Context())
	m.Committed(12, 3*time.Millisecond)
	m.RowsScored(25)
	for _, state := range RunEnds() {
		m.RunEnded(state)
	}
	module := m.Module("palette-width", "1.0.0", "palette")
	for _, outcome := range outcomes {
		module.CallBegan()
		module.CallEnded("/commonvat.module.palette.v1.PaletteService/MeasurePalette", outcome, time.Second)
	}
	module.CallBegan()
}

// outcomes are all ways in which a call to a module can end.
var outcomes = []string{OutcomeOK, OutcomeRefused, OutcomeOverrun, OutcomeGivenUp, OutcomeEnded, OutcomeFailed}

// closedValues says of every label which values it may have.
var closedValues = map[string]*regexp.Regexp{
	LabelRPCSystem:     regexp.MustCompile(`^grpc$`),
	LabelRPCMethod:     regexp.MustCompile(`^commonvat\.(lab|pool|access|catalog|module\.[a-z]+)\.v1\.[A-Z]\w+/(GetTrial|SubmitTrial|MeasurePalette)$`),
	LabelRPCStatus:     regexp.MustCompile(`^(OK|UNIMPLEMENTED)$`),
	LabelErrorType:     regexp.MustCompile(`^UNIMPLEMENTED$`),
	LabelReason:        regexp.MustCompile(`^(INVALID_FIELD|CONFLICT)$`),
	LabelModule:        regexp.MustCompile(`^(palette-width|compare-orders)$`),
	LabelModuleVersion: regexp.MustCompile(`^(1\.0\.0|0\.9\.0)$`),
	LabelModuleKind:    regexp.MustCompile(`^(palette|compare)$`),
	LabelModuleState:   regexp.MustCompile(`^(` + strings.Join(ModuleStates(), "|") + `)$`),
	LabelOutcome:       regexp.MustCompile(`^(` + strings.Join(outcomes, "|") + `)$`),
	LabelRunState:      regexp.MustCompile(`^(` + strings.Join(RunEnds(), "|") + `)$`),
	LabelVersion:       regexp.MustCompile(`^1\.2\.3$`),
	LabelMemoryType:    regexp.MustCompile(`^(stack|other)$`),
}

// Every instrument of the list is collected, with its unit and text, and nothing besides; each has labels of its list
// alone, whose values are of closed sets.
func TestMetricsAreAClosedList(t *testing.T) {
	on, reader := measured(t)
	everything(t, on)
	// A library's own instruments, and ours that nobody described, are not exported.
	stray, err := on.meters.Meter("somewhere").Int64Counter("stray.count")
	require.NoError(t, err)
	stray.Add(t.Context(), 1)
	// A label that the conventions of the day add is dropped.
	calls, err := on.meters.Meter("somewhere").Float64Histogram(MetricServerCallDuration, metric.WithUnit("s"))
	require.NoError(t, err)
	calls.Record(t.Context(), 1, metric.WithAttributes(attribute.String("server.address", "/tmp/socket1234"), attribute.String(LabelRPCSystem, "grpc")))

	points, described := collect(t, reader)
	listed := map[string]bool{}
	for _, instrument := range Instruments() {
		listed[instrument.Name] = true
		require.NotEmpty(t, points[instrument.Name], "%s was not collected", instrument.Name)
		assert.Equal(t, instrument.Unit, described[instrument.Name].Unit, instrument.Name)
		assert.Equal(t, instrument.Text, described[instrument.Name].Description, instrument.Name)
		for _, p := range points[instrument.Name] {
			for _, kv := range p.labels.ToSlice() {
				key := string(kv.Key)
				assert.Contains(t, instrument.Labels, key, "%s has a label of its own", instrument.Name)
				require.Contains(t, closedValues, key, "%s: nobody said which values %s may have", instrument.Name, key)
				assert.Regexp(t, closedValues[key], kv.Value.AsString(), "%s: %s", instrument.Name, key)
			}
		}
	}
	for name := range points {
		assert.True(t, listed[name], "%s is not in the list", name)
	}

	assert.Equal(t, 2., valueOf(t, points[MetricRefusals], "CONFLICT"))
	assert.Equal(t, 1., valueOf(t, points[MetricUnauthenticated]))
	assert.Equal(t, 1., valueOf(t, points[MetricRateRefusals]))
	assert.Equal(t, 1., valueOf(t, points[MetricRunsEnded], "interrupted"))
	assert.Equal(t, 25., valueOf(t, points[MetricRunsRows]))
	assert.Equal(t, 1., valueOf(t, points[MetricModuleCallsActive], "palette-width"))
	assert.Equal(t, 1., valueOf(t, points[MetricModuleCallDuration], OutcomeOverrun, "palette-width", "1.0.0"))
	assert.Equal(t, 2., valueOf(t, points[MetricModuleRestarts], "palette-width"))
	assert.Equal(t, 3., valueOf(t, points[MetricModuleWrong], "palette-width"))
	assert.Equal(t, 1., valueOf(t, points[MetricModuleState], "palette-width", "running"))
	assert.Equal(t, 0., valueOf(t, points[MetricModuleState], "palette-width", "quarantined"))
	assert.Equal(t, 1., valueOf(t, points[MetricModuleState], "compare-orders", "quarantined"))
	for name, want := range map[string]float64{
		MetricStoreQueue: 3, MetricStoreLogSize: 4096, MetricStoreCheckpointFailures: 2, MetricStoreBusy: 1, MetricStoreReplays: 7, MetricStoreGroupsLost: 4, MetricStoreDamaged: 1, MetricStoreSchema: 2,
		MetricPoolLag: 5, MetricPoolRows: 120, MetricBackupAge: 3600, MetricStoreCommitChanges: 1, MetricStoreCommitDuration: 1, MetricBuild: 1,
	} {
		assert.Equal(t, want, valueOf(t, points[name]), name)
	}
	assert.Positive(t, valueOf(t, points[MetricGoroutines]))
	assert.Positive(t, valueOf(t, points[MetricMemory], "other"))
	assert.Positive(t, valueOf(t, points[MetricMemory], "stack"))
	assert.Equal(t, 1., valueOf(t, points[MetricServerCallDuration], "commonvat.lab.v1.TrialService/GetTrial", "OK"))
	assert.Equal(t, 1., valueOf(t, points[MetricServerCallDuration], "commonvat.lab.v1.TrialService/SubmitTrial", "UNIMPLEMENTED"))
	assert.Len(t, points[MetricServerCallDuration], 3, "two of ours and the one with the dropped label")
}

// Values that come from elsewhere than they should can't make series without end.
func TestLabelsAreBounded(t *testing.T) {
	on, reader := measured(t)
	module := on.Metrics().Module("m", "1", "palette")
	for i := range 2000 {
		on.Metrics().Refused(t.Context(), fmt.Sprintf("MADE_UP_%d", i))
		module.CallBegan()
		module.CallEnded(fmt.Sprintf("/a.b/%d", i), OutcomeOK, time.Millisecond)
	}
	points, _ := collect(t, reader)
	assert.Len(t, points[MetricRefusals], maxReasons+1)
	assert.Equal(t, float64(2000-maxReasons), valueOf(t, points[MetricRefusals], LabelOther))
	assert.Len(t, points[MetricModuleCallDuration], maxModuleSeries+1)
	assert.Equal(t, 0., valueOf(t, points[MetricModuleCallsActive]))
}

// deploy/METRICS.md has every metric with its unit, its labels, the name it is pulled by, and what it means.
func TestMetricsAreDocumented(t *testing.T) {
	text, err := os.ReadFile("../../../deploy/METRICS.md")
	require.NoError(t, err)
	row := regexp.MustCompile("(?m)^\\| `([a-z._]+)` \\| `([a-z_]+)` \\| ([^|]+) \\| ([^|]*)\\| ([^|]+) \\| ([^|]*)\\|$")
	documented := map[string][]string{}
	for _, match := range row.FindAllStringSubmatch(string(text), -1) {
		documented[match[1]] = match[2:]
	}
	on := begin(t, nil, func(c *Config) { c.MetricsListen = "127.0.0.1:0" })
	everything(t, on)
	pulled := pullFrom(t, on.pull.listener.Addr().String())
	families := map[string]bool{}
	for _, match := range regexp.MustCompile(`(?m)^# TYPE (\S+) `).FindAllStringSubmatch(pulled, -1) {
		families[match[1]] = true
	}
	for _, instrument := range Instruments() {
		row := documented[instrument.Name]
		if !assert.NotNil(t, row, "%s is not in the table", instrument.Name) {
			continue
		}
		assert.True(t, families[row[0]], "%s is pulled by another name than %s, of %v", instrument.Name, row[0], families)
		delete(families, row[0])
		assert.Equal(t, instrument.Unit, strings.TrimSpace(row[1]), instrument.Name)
		var labels []string
		for _, match := range regexp.MustCompile("`([^`]+)`").FindAllStringSubmatch(row[2], -1) {
			labels = append(labels, match[1])
		}
		assert.ElementsMatch(t, instrument.Labels, labels, instrument.Name)
		assert.Greater(t, len(strings.TrimSpace(row[3])), 10, "%s says nothing of its meaning", instrument.Name)
		delete(documented, instrument.Name)
	}
	assert.Empty(t, documented, "described and not there")
	assert.Empty(t, families, "pulled and not described")
	for _, name := range regexp.MustCompile(`commonvat_[a-z_]+`).FindAllString(string(text[strings.Index(string(text), "```yaml"):]), -1) {
		assert.Contains(t, pulled, name, "the alarms speak of what isn't pulled")
	}
}

// pullFrom gets what is offered.
func pullFrom(t *testing.T, address string) string {
	t.Helper()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: time.Minute}
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+address+MetricsPath, nil)
	require.NoError(t, err)
	answer, err := client.Do(request)
	require.NoError(t, err)
	defer func() { assert.NoError(t, answer.Body.Close()) }()
	require.Equal(t, http.StatusOK, answer.StatusCode)
	text, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	return string(text)
}

func TestAllocationsOfCountingAreNone(t *testing.T) {
	on, _ := measured(t)
	module := on.Metrics().Module("m", "1", "palette")
	ctx := t.Context()
	count := func() {
		on.Metrics().Refused(ctx, "CONFLICT")
		on.Metrics().Committed(3, time.Millisecond)
		module.CallBegan()
		module.CallEnded("/a.b/C", OutcomeOK, time.Millisecond)
	}
	count()
	assert.Zero(t, testing.AllocsPerRun(100, count))
}
