package connect

import (
	"context"
	"net"
	"sync/atomic"
	"testing"
	"time"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
)

// refusing refuses so many calls with a delay, and answers those after it.
func refusing(t *testing.T, refusals int64, delay time.Duration) (*grpc.ClientConn, *atomic.Int64) {
	t.Helper()
	calls := &atomic.Int64{}
	server := grpc.NewServer(grpc.UnaryInterceptor(func(context.Context, any, *grpc.UnaryServerInfo, grpc.UnaryHandler) (any, error) {
		if calls.Add(1) > refusals {
			return &labv1.Trial{}, nil
		}
		st := status.New(codes.ResourceExhausted, "too many calls")
		if delay > 0 {
			st, _ = st.WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(delay)})
		}
		return nil, st.Err()
	}))
	labv1.RegisterTrialServiceServer(server, labv1.UnimplementedTrialServiceServer{})
	accessv1.RegisterAccessServiceServer(server, accessv1.UnimplementedAccessServiceServer{})
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	conn, err := Dial(Options{Server: listener.Addr().String()})
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close(); server.Stop(); assert.NoError(t, <-served) })
	return conn, calls
}

func TestComesAgainWhenTold(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	const delay = 20 * time.Millisecond
	conn, calls := refusing(t, 2, delay)
	begun := time.Now()
	_, err := labv1.NewTrialServiceClient(conn).GetTrial(ctx, &labv1.GetTrialRequest{})
	require.NoError(t, err)
	assert.EqualValues(t, 3, calls.Load())
	assert.GreaterOrEqual(t, time.Since(begun), 2*delay, "no sooner than told")

	conn, calls = refusing(t, 100, time.Millisecond)
	_, err = labv1.NewTrialServiceClient(conn).AddEntries(ctx, &labv1.AddEntriesRequest{RequestId: "x"})
	assert.Equal(t, codes.ResourceExhausted, status.Code(err))
	assert.EqualValues(t, 1+maxComeAgain, calls.Load())
}

func TestDoesNotComeAgain(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	conn, calls := refusing(t, 100, time.Millisecond)
	_, err := accessv1.NewAccessServiceClient(conn).IssueToken(ctx, &accessv1.IssueTokenRequest{})
	assert.Equal(t, codes.ResourceExhausted, status.Code(err))
	assert.EqualValues(t, 1, calls.Load(), "each makes a token")
	conn, calls = refusing(t, 100, 0)
	_, err = labv1.NewTrialServiceClient(conn).GetTrial(ctx, &labv1.GetTrialRequest{})
	assert.Equal(t, codes.ResourceExhausted, status.Code(err))
	assert.EqualValues(t, 1, calls.Load(), "no time was told, as with a request that is too large")
	conn, calls = refusing(t, 100, time.Hour)
	_, err = labv1.NewTrialServiceClient(conn).GetTrial(ctx, &labv1.GetTrialRequest{})
	assert.Equal(t, codes.ResourceExhausted, status.Code(err), "told at once, not at the deadline")
	assert.EqualValues(t, 1, calls.Load(), "later than the deadline")
}

func TestRepeatable(t *testing.T) {
	for method, want := range map[string]bool{
		labv1.TrialService_GetTrial_FullMethodName: true, labv1.TrialService_SubmitTrial_FullMethodName: true, labv1.ImportService_ImportReadings_FullMethodName: true,
		accessv1.AccessService_ListTokens_FullMethodName: true, accessv1.AccessService_IssueToken_FullMethodName: false,
		"/commonvat.access.v1.AccessService/": false, "/a.B/GetTrial": false, "GetTrial": false, "": false,
	} {
		assert.Equal(t, want, repeatable(method), method)
	}
}
