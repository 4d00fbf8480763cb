package api_test

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
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

// BenchmarkGetTrial reads one trial of 25 entries with several clients: from the core with and without its cache, and from
// a bare server that answers the same bytes. Compare within one run.
func BenchmarkGetTrial(b *testing.B) {
	request := smallTrial()
	for range 22 {
		look := &labpb.Look{Id: newID(), Of: &labpb.Look_PieceId{PieceId: request.GetTrial().GetPieces()[0].GetId()}, Text: "yellow, a little green at the edge"}
		request.Trial.Looks = append(request.Trial.Looks, look)
	}
	var body []byte
	conns := map[string]*grpc.ClientConn{}
	ctx := context.Background()
	for name, cache := range map[string]int{"core, uncached": 0, "core, cached": 8 << 20} {
		records, err := sqlite.Open(b.Context(), sqlite.Config{Path: filepath.Join(b.TempDir(), "records.db"), CacheBytes: cache})
		require.NoError(b, err)
		b.Cleanup(func() { require.NoError(b, records.Close()) })
		registry := access.New(records, nil)
		_, err = registry.CreateMember(b.Context(), store.MemberRow{ID: "ada", DisplayName: "ada", Roles: []string{"member"}})
		require.NoError(b, err)
		_, token, err := registry.IssueToken(b.Context(), "ada", "", time.Time{})
		require.NoError(b, err)
		server, err := api.New(api.Config{Registry: registry, Store: records, Modules: noModules{}, Log: slog.New(slog.DiscardHandler)})
		require.NoError(b, err)
		conns[name] = dialled(b, server.Serve, server.Stop)
		ctx = metadata.NewOutgoingContext(ctx, metadata.Pairs("authorization", "Bearer "+token))
		kept, err := labpb.NewTrialServiceClient(conns[name]).SubmitTrial(ctx, request)
		require.NoError(b, err)
		body, err = proto.Marshal(kept.GetTrial())
		require.NoError(b, err)
		tokens.Store(name, ctx)
	}
	bare := grpc.NewServer()
	labpb.RegisterTrialServiceServer(bare, echo{body: body})
	conns["bare echo"] = dialled(b, bare.Serve, bare.Stop)
	tokens.Store("bare echo", ctx)

	for _, clients := range []int{8, 64} {
		for _, name := range []string{"bare echo", "core, cached", "core, uncached"} {
			b.Run(fmt.Sprintf("%s/%d clients", name, clients), func(b *testing.B) {
				carried, _ := tokens.Load(name)
				client := labpb.NewTrialServiceClient(conns[name])
				share(b, clients, func() error {
					_, err := client.GetTrial(carried.(context.Context), &labpb.GetTrialRequest{TrialId: request.GetTrial().GetId()})
					return err
				})
			})
		}
	}
}

// tokens keeps the context with which each server is called.
var tokens sync.Map

// share divides b.N calls among clients.
func share(b *testing.B, clients int, call func() error) {
	b.Helper()
	b.ReportAllocs()
	work := make(chan struct{}, clients)
	var running sync.WaitGroup
	for range clients {
		running.Go(func() {
			for range work {
				if err := call(); err != nil {
					b.Error(err)
				}
			}
		})
	}
	for range b.N {
		work <- struct{}{}
	}
	close(work)
	running.Wait()
}
