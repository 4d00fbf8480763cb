package main

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	collectorpb "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
)

// collector takes spans as an OTLP collector does.
type collector struct {
	collectorpb.UnimplementedTraceServiceServer
	mu    sync.Mutex
	spans map[string][]string // trace id to "service/span"
}

func (c *collector) Export(_ context.Context, request *collectorpb.ExportTraceServiceRequest) (*collectorpb.ExportTraceServiceResponse, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, resource := range request.GetResourceSpans() {
		service := ""
		for _, attribute := range resource.GetResource().GetAttributes() {
			if attribute.GetKey() == "service.name" {
				service = attribute.GetValue().GetStringValue()
			}
		}
		for _, scope := range resource.GetScopeSpans() {
			for _, span := range scope.GetSpans() {
				id := hex.EncodeToString(span.GetTraceId())
				c.spans[id] = append(c.spans[id], service+"/"+span.GetName())
			}
		}
	}
	return &collectorpb.ExportTraceServiceResponse{}, nil
}

func (c *collector) of(trace string) []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.spans[trace])
}

// One trace goes from the client through the core into the module, and the module's spans come back with it.
// It is a whole core with real modules.
func TestOneTraceFromClientIntoModule(t *testing.T) {
	taken := &collector{spans: map[string][]string{}}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	server := grpc.NewServer()
	collectorpb.RegisterTraceServiceServer(server, taken)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	t.Cleanup(func() { server.Stop(); assert.NoError(t, <-served) })
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", "http://"+listener.Addr().String())
	t.Setenv("OTEL_BSP_SCHEDULE_DELAY", "50")

	data := t.TempDir()
	for kind, name := range map[string]string{"reading": "reading-reflectance", "difference": "difference-deltae"} {
		program := "plugins/" + kind + "/cmd/commonvat-module-" + name
		var manifest struct{ Version string }
		text, err := os.ReadFile(filepath.Join("..", "..", filepath.FromSlash(program), "module.json"))
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(text, &manifest))
		folder := catalogtest.Build(t, "github.com/commonvat/commonvat/"+program, name, manifest.Version, kind)
		code, _, stderr := command(t, "module", "install", folder, "--data", data)
		require.Equal(t, exitOK, code, stderr)
	}
	code, token, stderr := command(t, "member", "add", "stella", "--data", data, "--role", "steward")
	require.Equal(t, exitOK, code, stderr)

	core := runCore(t, data)
	conn := dial(t, core.address, insecure.NewCredentials())
	const trace = "4bf92f3577b34da6a3ce929d0e0e4736" // the example of the W3C Trace Context recommendation
	ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+strings.TrimSpace(token)), 30*time.Second)
	defer cancel()
	require.Eventually(t, func() bool {
		answer, err := catalogpb.NewCatalogServiceClient(conn).ListModules(ctx, &catalogpb.ListModulesRequest{})
		return err == nil && len(answer.GetModules()) == 2 && !slices.ContainsFunc(answer.GetModules(), func(m *catalogpb.ModuleStatus) bool {
			return m.GetState() != catalogpb.ModuleState_MODULE_STATE_RUNNING
		})
	}, 20*time.Second, 50*time.Millisecond, "modules did not come up")

	pieces := submitTwoPieces(ctx, t, conn)
	traced := metadata.AppendToOutgoingContext(ctx, "traceparent", "00-"+trace+"-00f067aa0ba902b7-01")
	answer, err := poolpb.NewPoolServiceClient(conn).ComparePieces(traced, &poolpb.ComparePiecesRequest{ReferencePiece: pieces[0], SamplePiece: pieces[1], Formula: "cie76"})
	require.NoError(t, err)
	// CIE76 is the distance in CIELAB: from (50, 0, 0) to (50, 3, 4) it is 5.
	assert.InDelta(t, 5, answer.GetDifference(), 1e-9)

	assert.Contains(t, core.log.String(), `"trace_id":"`+trace+`"`)
	assert.Equal(t, exitOK, core.stop(), "the last spans go out when the core stops")
	spans := taken.of(trace)
	assert.Contains(t, spans, "commonvatd/commonvat.pool.v1.PoolService/ComparePieces")
	assert.True(t, slices.ContainsFunc(spans, func(s string) bool { return strings.HasPrefix(s, "commonvatd/commonvat.module.difference.v1.") }), "%v", spans)
	assert.True(t, slices.ContainsFunc(spans, func(s string) bool {
		return !strings.HasPrefix(s, "commonvatd/") && strings.Contains(s, "commonvat.module.difference.v1.")
	}), "the module's own span is missing: %v", spans)
}

// submitTwoPieces keeps a trial with two read pieces of wool and returns their ids.
func submitTwoPieces(ctx context.Context, t *testing.T, conn *grpc.ClientConn) []string {
	t.Helper()
	newID := func() string { return uuid.Must(uuid.NewV7()).String() }
	grams := 3.0
	request := &labpb.SubmitTrialRequest{RequestId: newID(), Trial: &labpb.Trial{Id: newID(), Title: "two skeins"}}
	var ids []string
	for _, ab := range [][2]float64{{0, 0}, {3, 4}} {
		id := newID()
		ids = append(ids, id)
		request.Trial.Pieces = append(request.Trial.Pieces, &labpb.Piece{
			Id: id, Fibre: &typespb.Fibre{Composition: []*typespb.FibrePart{{Fibre: "wool", Percent: 100}}},
			Mass: &typespb.Amount{Knowledge: typespb.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &grams, Unit: typespb.AmountUnit_AMOUNT_UNIT_GRAM},
		})
		request.Trial.Readings = append(request.Trial.Readings, &labpb.Reading{
			Id: newID(), PieceId: id, State: labpb.PieceState_PIECE_STATE_DRY, Raw: &typespb.RawColour{
				Value: &typespb.RawColour_Lab{Lab: &typespb.Lab{L: 50, A: ab[0], B: ab[1]}},
				LabCondition: &typespb.ColourCondition{
					Illuminant: typespb.Illuminant_ILLUMINANT_D65, Observer: typespb.Observer_OBSERVER_CIE_1964_10_DEGREE,
				},
			},
		})
	}
	_, err := labpb.NewTrialServiceClient(conn).SubmitTrial(ctx, request)
	require.NoError(t, err)
	return ids
}
