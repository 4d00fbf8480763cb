package api_test

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/limits"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/telemetry"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// echo answers GetTrial with the same bytes and does nothing else: no member, no check, no log.
type echo struct {
	labpb.UnimplementedTrialServiceServer
	body []byte
}

func (e echo) GetTrial(context.Context, *labpb.GetTrialRequest) (*labpb.Trial, error) {
	answer := &labpb.Trial{}
	answer.ProtoReflect().SetUnknown(e.body)
	return answer, nil
}

// dialled serves over loopback TCP and connects.
func dialled(b *testing.B, serve func(net.Listener) error, stop func()) *grpc.ClientConn {
	b.Helper()
	listener, err := (&net.ListenConfig{}).Listen(b.Context(), "tcp", "127.0.0.1:0")
	require.NoError(b, err)
	served := make(chan error, 1)
	go func() { served <- serve(listener) }()
	conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(b, err)
	b.Cleanup(func() {
		require.NoError(b, conn.Close())
		stop()
		require.NoError(b, <-served)
	})
	return conn
}

// ladenTrial has 25 entries: a session, six pieces, four baths with their additions, eight immersions, two looks, four readings.
func ladenTrial() *labpb.SubmitTrialRequest {
	alum, weld, vat, again := dyeBath("alum", 3), dyeBath("weld", 20), dyeBath("indigo", 4), dyeBath("weld", 20)
	alum.Purposes = []labpb.BathPurpose{labpb.BathPurpose_BATH_PURPOSE_MORDANT}
	alum.Additions[0].Role = labpb.AdditionRole_ADDITION_ROLE_MORDANT
	vat.Purposes = []labpb.BathPurpose{labpb.BathPurpose_BATH_PURPOSE_VAT}
	t := &labpb.Trial{Id: newID(), Title: "both orders", Sessions: []*labpb.Session{{Id: newID()}}}
	put := func(p *labpb.Piece, position int32, b *labpb.Bath) {
		t.Immersions = append(t.Immersions, &labpb.Immersion{Id: newID(), PieceId: p.GetId(), BathId: b.GetId(), Position: position})
	}
	hank := &labpb.Piece{Id: newID(), Label: "hank", SessionId: t.GetSessions()[0].GetId(), Mass: grams(20),
		Fibre: &typespb.Fibre{Composition: []*typespb.FibrePart{{Fibre: "wool", Percent: 100}}, Lot: "W7"}}
	t.Pieces = append(t.Pieces, hank)
	put(hank, 1, alum)
	for i, route := range [][]*labpb.Bath{{weld, vat}, {vat, again}, {weld}, {again}, {vat}} {
		part := &labpb.Piece{Id: newID(), Mass: grams(3), Origin: &labpb.PieceOrigin{
			ParentPieceId: hank.GetId(), Kind: labpb.OriginKind_ORIGIN_KIND_TAKEN, AfterPosition: 1,
		}}
		t.Pieces = append(t.Pieces, part)
		for n, b := range route {
			put(part, int32(n+1), b)
		}
		if i < 4 {
			t.Readings = append(t.Readings, &labpb.Reading{Id: newID(), PieceId: part.GetId(), Raw: lab(50, -5, 20), State: labpb.PieceState_PIECE_STATE_DRY})
		}
	}
	for range 2 {
		t.Looks = append(t.Looks, &labpb.Look{Id: newID(), Of: &labpb.Look_PieceId{PieceId: hank.GetId()}, Text: "greener at the edge"})
	}
	return &labpb.SubmitTrialRequest{RequestId: newID(), Trial: t, Baths: []*labpb.Bath{alum, weld, vat, again}}
}

// benchCore is a whole server on loopback with one member. It logs as the core does by default: a line for each call.
type benchCore struct {
	conn    *grpc.ClientConn
	trials  labpb.TrialServiceClient
	records *sqlite.Store
	ctx     context.Context // carries the member's token
}

func startBenchCore(b *testing.B, cacheBytes int, change ...func(*api.Config)) benchCore {
	b.Helper()
	records, err := sqlite.Open(b.Context(), sqlite.Config{Path: filepath.Join(b.TempDir(), "records.db"), CacheBytes: cacheBytes})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, records.Close()) })
	registry := access.New(records, nil)
	_, err = registry.CreateMember(b.Context(), onServer, store.MemberRow{ID: "ada", DisplayName: "ada", Roles: []string{"member"}})
	require.NoError(b, err)
	_, token, err := registry.IssueToken(b.Context(), onServer, "ada", "", time.Time{})
	require.NoError(b, err)
	lines, err := os.Create(filepath.Join(b.TempDir(), "core.log"))
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, lines.Close()) })
	config := api.Config{Registry: registry, Store: records, Modules: noModules{}, Log: slog.New(telemetry.LogHandler(slog.NewJSONHandler(lines, nil))),
		// Whoever measures asks for more than a member may: the limits are counted and not reached.
		Limits: limits.Config{Rates: map[limits.Class]limits.Rate{limits.Read: {PerSecond: 1e6, Burst: 1e7}, limits.Write: {PerSecond: 1e6, Burst: 1e7}}}}
	for _, f := range change {
		f(&config)
	}
	server, err := api.New(config)
	require.NoError(b, err)
	conn := dialled(b, server.Serve, server.Stop)
	return benchCore{
		conn: conn, trials: labpb.NewTrialServiceClient(conn), records: records,
		ctx: metadata.NewOutgoingContext(context.Background(), metadata.Pairs("authorization", "Bearer "+token)),
	}
}

// benchTrials is how many trials are read in turn, so that no two calls in a row ask for the same row.
const benchTrials = 200

// BenchmarkGetTrial reads trials of 25 entries from the core, with and without its cache, against a bare server that
// answers the same bytes to the same client. The x-echo figure is the core's speed as a share of the bare one's. The client shares the
// machine with the server and its decoding costs the same on both sides, which brings the two nearer to each other; so the share is
// also measured with a client that takes the bytes as they are.
func BenchmarkGetTrial(b *testing.B) {
	for _, of := range []struct {
		name       string
		cacheBytes int
		clients    []int
	}{{"uncached", 0, []int{8}}, {"cached", 8 << 20, []int{8, 64}}} {
		core := startBenchCore(b, of.cacheBytes)
		ids, body := make([]string, benchTrials), []byte(nil)
		for i := range ids {
			kept, err := core.trials.SubmitTrial(core.ctx, ladenTrial())
			require.NoError(b, err)
			ids[i] = kept.GetTrial().GetId()
			body, err = proto.Marshal(kept.GetTrial())
			require.NoError(b, err)
		}
		bare := grpc.NewServer()
		labpb.RegisterTrialServiceServer(bare, echo{body: body})
		echoed := dialled(b, bare.Serve, bare.Stop)
		for _, client := range []struct {
			name    string
			options []grpc.CallOption
		}{{"decoding client", nil}, {"raw client", []grpc.CallOption{grpc.ForceCodecV2(rawAnswers{encoding.GetCodecV2("proto")})}}} {
			get := func(conn *grpc.ClientConn) func(int) error {
				trials := labpb.NewTrialServiceClient(conn)
				return func(i int) error {
					_, err := trials.GetTrial(core.ctx, &labpb.GetTrialRequest{TrialId: ids[i%len(ids)]}, client.options...)
					return err
				}
			}
			for _, clients := range of.clients {
				b.Run(fmt.Sprintf("%s/%d clients/%s", of.name, clients, client.name), func(b *testing.B) {
					against(b, "x-echo", clients, get(core.conn), get(echoed))
				})
			}
		}
	}
}

// rawAnswers encodes requests as usual and leaves answers as they came.
type rawAnswers struct{ encoding.CodecV2 }

func (rawAnswers) Unmarshal(data mem.BufferSlice, _ any) error {
	if data.Len() < 1000 {
		return fmt.Errorf("an answer of %d bytes is no trial of 25 entries", data.Len())
	}
	return nil
}

// BenchmarkSubmitTrial makes trials durable over the interface, with 64 clients, against 64 goroutines that give the same
// work to the same grouping writer. The x-writer figure is the interface's speed as a share of the writer's.
func BenchmarkSubmitTrial(b *testing.B) {
	for name, fresh := range map[string]func() *labpb.SubmitTrialRequest{"25 entries": ladenTrial, "one entry": func() *labpb.SubmitTrialRequest {
		return &labpb.SubmitTrialRequest{RequestId: newID(), Trial: &labpb.Trial{Id: newID(), Title: "one look", Sessions: []*labpb.Session{{Id: newID()}}}}
	}} {
		b.Run(name, func(b *testing.B) {
			core := startBenchCore(b, sqlite.DefaultCacheBytes)
			const clients = 64
			requests := func() []*labpb.SubmitTrialRequest {
				all := []*labpb.SubmitTrialRequest{}
				for range b.N {
					all = append(all, fresh())
				}
				return all
			}
			over, direct := requests(), requests()
			against(b, "x-writer", clients, func(i int) error {
				_, err := core.trials.SubmitTrial(core.ctx, over[i])
				return err
			}, func(i int) error { return submitToWriter(core.records, direct[i]) })
		})
	}
}

// submitToWriter does what the handler does, without the interface round it.
func submitToWriter(records *sqlite.Store, request *labpb.SubmitTrialRequest) error {
	given, baths := record.TrialFromProto(request.GetTrial()), record.BathsFromProto(request.GetBaths())
	now := time.Now()
	_, err := records.Change(context.Background(), store.ChangeRequest{
		Actor: store.Actor{Member: "ada", Method: "benchmark"}, RequestID: request.GetRequestId(), Now: now,
		Apply: func(r trial.Records) ([]byte, error) {
			kept, keptBaths, err := trial.SubmitTrial(r, "ada", now, given, baths)
			if err != nil {
				return nil, err
			}
			return proto.Marshal(&labpb.SubmitTrialResponse{Trial: record.TrialToProto(kept), Baths: record.BathsToProto(keptBaths)})
		},
	})
	return err
}

// against runs b.N calls of each of two ways, in turns, so that what else the machine does falls on both, and reports
// the time of theirs over the time of ours.
func against(b *testing.B, unit string, clients int, ours, theirs func(i int) error) {
	b.Helper()
	const turn = 512
	var times [2]time.Duration
	for from := 0; from < b.N; from += turn {
		for way, call := range []func(int) error{ours, theirs} {
			begun := time.Now()
			share(b, clients, from, min(from+turn, b.N), call)
			times[way] += time.Since(begun)
		}
	}
	b.ReportMetric(times[1].Seconds()/times[0].Seconds(), unit)
	b.ReportMetric(float64(b.N)/times[0].Seconds(), "ours/s")
	b.ReportMetric(0, "ns/op") // of both ways together: means nothing
}

// share divides the calls from one number up to another among clients.
func share(b *testing.B, clients, from, to int, call func(i int) error) {
	b.Helper()
	work := make(chan int, clients)
	var running sync.WaitGroup
	for range clients {
		running.Go(func() {
			for i := range work {
				if err := call(i); err != nil {
					b.Error(err)
				}
			}
		})
	}
	for i := from; i < to; i++ {
		work <- i
	}
	close(work)
	running.Wait()
}

// BenchmarkLimits says what share of a cached read's time the limits take: the x-read figure is theirs over the whole call's.
func BenchmarkLimits(b *testing.B) {
	core := startBenchCore(b, sqlite.DefaultCacheBytes)
	kept, err := core.trials.SubmitTrial(core.ctx, ladenTrial())
	require.NoError(b, err)
	limiter, err := limits.New(limits.Config{Rates: map[limits.Class]limits.Rate{limits.Read: {PerSecond: 1e6, Burst: 1e7}}})
	require.NoError(b, err)
	address := &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)}
	against(b, "x-read", 8, func(int) error {
		_, err := core.trials.GetTrial(core.ctx, &labpb.GetTrialRequest{TrialId: kept.GetTrial().GetId()})
		return err
	}, func(int) error {
		limiter.MayTry(address, "id")
		limiter.Proved("id")
		end, err := limiter.Begin("ada", "/commonvat.lab.v1.TrialService/GetTrial")
		if err == nil {
			end()
		}
		return err
	})
}
