package api_test

import (
	"context"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/benchv1"
	"github.com/commonvat/commonvat/services/internal/api/catalogv1"
	"github.com/commonvat/commonvat/services/internal/api/filter"
	"github.com/commonvat/commonvat/services/internal/api/poolv1"
	"github.com/commonvat/commonvat/services/internal/api/runv1"
	"github.com/commonvat/commonvat/services/internal/bench"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/packs"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/runs"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
)

func TestMain(m *testing.M) { plugintest.RunWithoutLeaks(m) }

// The members of the invented cooperative of these tests, with their roles.
var roles = map[string][]string{
	"ada": {"member"}, "bo": {"member"}, "cy": {"member"},
	"rosa": {"researcher"}, "coco": {"coordinator"}, "stella": {"steward"},
}

// onServer is who takes in the members.
var onServer = store.Actor{Member: store.Server, Method: "test"}

// core is a whole server over the real store in a temporary folder, reached through memory.
type core struct {
	t        testing.TB
	server   *api.Server
	store    *sqlite.Store
	path     string // of the store's file
	registry *access.Registry
	conn     *grpc.ClientConn
	tokens   map[string]string
	log      *lines
}

// lines collects the log.
type lines struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// noModules is a catalog of which nothing is installed: records are served all the same.
type noModules struct{}

func (noModules) Status() []catalog.Status { return nil }

func (noModules) Serving(string, string) []string { return nil }

func (noModules) Activate(context.Context, string, func() error) error { return catalog.ErrNoModule }

func (noModules) SetDefault(string) error { return catalog.ErrNoModule }

func (noModules) Retire(string) error { return catalog.ErrNoModule }

func (noModules) Revive(string) (<-chan struct{}, error) { return nil, catalog.ErrNoModule }

func (noModules) Acquire(string) (pipeline.Handle, error) { return nil, catalog.ErrNoModule }

type option func(*api.Config)

func start(t testing.TB, options ...option) *core {
	t.Helper()
	c := &core{t: t, tokens: map[string]string{}, log: &lines{}}
	c.path = filepath.Join(t.TempDir(), "records.db")
	records, err := sqlite.Open(t.Context(), sqlite.Config{Path: c.path, CacheBytes: 1 << 20})
	require.NoError(t, err)
	c.store = records
	t.Cleanup(func() { assert.NoError(t, records.Close()) })
	c.registry = access.New(records, nil)
	for id, has := range roles {
		_, err := c.registry.CreateMember(t.Context(), onServer, store.MemberRow{ID: id, DisplayName: id, Roles: has})
		require.NoError(t, err)
		_, c.tokens[id], err = c.registry.IssueToken(t.Context(), onServer, id, "test", time.Time{})
		require.NoError(t, err)
	}
	log := slog.New(slog.NewJSONHandler(c.log, nil))
	config := api.Config{
		Registry: c.registry, Store: records, Modules: noModules{}, Log: log, Reflection: true, StopGrace: time.Second,
		Register: pooled(t, records, noModules{}, log),
	}
	for _, o := range options {
		o(&config)
	}
	c.server, err = api.New(config)
	require.NoError(t, err)
	listener := bufconn.Listen(1 << 20)
	served := make(chan error, 1)
	go func() { served <- c.server.Serve(listener) }()
	c.conn, err = grpc.NewClient("passthrough:///core", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	require.NoError(t, err)
	t.Cleanup(func() {
		assert.NoError(t, c.conn.Close())
		c.server.Stop()
		assert.NoError(t, <-served)
	})
	return c
}

// pooled puts together what asks modules, as the core does: a pool, runs, packs and a bench, and returns what registers their services.
func pooled(t testing.TB, records store.Engine, modules pipeline.Modules, log *slog.Logger) []func(grpc.ServiceRegistrar) {
	asking := pipeline.New(modules)
	shared := pool.New(pool.Config{Reader: records, Feed: records, Pipeline: asking, Decode: record.DecodeTrial, DecodeRows: record.DecodePooled, DecodeMeasured: record.DecodeMeasured, Log: log})
	scoring, err := runs.Open(t.Context(), runs.Config{
		Store: records, Feed: records, Pool: shared, Scorer: asking, Log: log,
		Parse: func(text string) (*store.Predicate, error) { return filter.Parse(text, pool.FilterFields) },
	})
	require.NoError(t, err)
	handlers, err := runv1.New(scoring)
	require.NoError(t, err)
	following, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { shared.Run(following) })
	running.Go(func() { scoring.Run(following) })
	t.Cleanup(func() { stop(); running.Wait() })
	kept := packs.New(packs.Config{
		Folder: packs.OpenFolder(filepath.Join(t.TempDir(), "packs")), Rows: records, Asker: asking, Log: log,
	})
	planning, err := benchv1.New(bench.New(bench.Config{Modules: asking, Safety: func() []string { return nil }, Store: records, Now: time.Now}))
	require.NoError(t, err)
	return []func(grpc.ServiceRegistrar){poolv1.New(poolv1.Config{Pool: shared}).Register, handlers.Register, catalogv1.NewPacks(kept).Register, planning.Register}
}

// answersWithin ends a test that hangs; it measures nothing, also where the race detector and other work make everything slow.
const answersWithin = 2 * time.Minute

// as is a context in which calls are made by a member; "" is nobody.
func (c *core) as(member string) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), answersWithin)
	c.t.Cleanup(cancel)
	if member == "" {
		return ctx
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+c.tokens[member])
}

func (c *core) trials() labpb.TrialServiceClient     { return labpb.NewTrialServiceClient(c.conn) }
func (c *core) baths() labpb.BathServiceClient       { return labpb.NewBathServiceClient(c.conn) }
func (c *core) access() accesspb.AccessServiceClient { return accesspb.NewAccessServiceClient(c.conn) }

// newID is a fresh id as a client makes it.
func newID() string { return uuid.Must(uuid.NewV7()).String() }

func grams(v float64) *typespb.Amount {
	return &typespb.Amount{Knowledge: typespb.AmountKnowledge_AMOUNT_KNOWLEDGE_MEASURED, Value: &v, Unit: typespb.AmountUnit_AMOUNT_UNIT_GRAM}
}

func lab(l, a, b float64) *typespb.RawColour {
	return &typespb.RawColour{Value: &typespb.RawColour_Lab{Lab: &typespb.Lab{L: l, A: a, B: b}}, LabCondition: &typespb.ColourCondition{
		Illuminant: typespb.Illuminant_ILLUMINANT_D65, Observer: typespb.Observer_OBSERVER_CIE_1964_10_DEGREE,
	}}
}

func dyeBath(dye string, dyeGrams float64) *labpb.Bath {
	return &labpb.Bath{
		Id: newID(), Label: dye + " pot", Purposes: []labpb.BathPurpose{labpb.BathPurpose_BATH_PURPOSE_DYE},
		Additions: []*labpb.Addition{{Id: newID(), Material: dye, Role: labpb.AdditionRole_ADDITION_ROLE_DYE, Amount: grams(dyeGrams)}},
	}
}

// smallTrial is one piece of wool, dyed with weld and read once.
func smallTrial() *labpb.SubmitTrialRequest {
	bath := dyeBath("weld", 3)
	piece := &labpb.Piece{Id: newID(), Label: "skein", Mass: grams(3), Fibre: &typespb.Fibre{Composition: []*typespb.FibrePart{{Fibre: "wool", Percent: 100}}}}
	return &labpb.SubmitTrialRequest{
		RequestId: newID(),
		Trial: &labpb.Trial{
			Id: newID(), Title: "yellow first", Pieces: []*labpb.Piece{piece},
			Immersions: []*labpb.Immersion{{Id: newID(), PieceId: piece.GetId(), BathId: bath.GetId(), Position: 1}},
			Readings:   []*labpb.Reading{{Id: newID(), PieceId: piece.GetId(), Raw: lab(70, -5, 60), State: labpb.PieceState_PIECE_STATE_DRY}},
		},
		Baths: []*labpb.Bath{bath},
	}
}

// submit keeps a small trial of a member's, at a sharing level.
func (c *core) submit(member string, level typespb.SharingLevel) *labpb.SubmitTrialResponse {
	c.t.Helper()
	request := smallTrial()
	request.Trial.Sharing = &typespb.Sharing{Level: level}
	answer, err := c.trials().SubmitTrial(c.as(member), request)
	require.NoError(c.t, err)
	return answer
}

// refused asserts a code and a reason, and returns the violations of fields.
func refused(t *testing.T, err error, code codes.Code, reason string) []*errdetails.BadRequest_FieldViolation {
	t.Helper()
	st := status.Convert(err)
	require.Equal(t, code, st.Code(), "%v", err)
	var violations []*errdetails.BadRequest_FieldViolation
	var got string
	requestID := ""
	for _, detail := range st.Details() {
		switch d := detail.(type) {
		case *errdetails.ErrorInfo:
			got = d.GetReason()
		case *errdetails.RequestInfo:
			requestID = d.GetRequestId()
		case *errdetails.BadRequest:
			violations = d.GetFieldViolations()
		}
	}
	assert.Equal(t, reason, got)
	assert.NotEmpty(t, requestID, "no request id")
	return violations
}
