package api_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/limits"
)

// halfCall begins a call and sends nothing of its request; it gives what the server says all the same, or Canceled when it has said nothing for so long.
func (c *core) halfCall(method string, patience time.Duration, authorization ...string) error {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	for _, value := range authorization {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", value)
	}
	stream, err := c.conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true}, method)
	require.NoError(c.t, err)
	defer time.AfterFunc(patience, cancel).Stop() // counted from here: to begin may take long on a busy machine
	return stream.RecvMsg(&labpb.Trial{})
}

// A call of one answer is refused without a byte of its request where its headers tell enough, in the very words in which it would be
// refused after it. This holds for large requests: until the store is asked, nothing of them is read.
func TestCallsWithoutATokenAreRefusedBeforeTheirRequestIsRead(t *testing.T) {
	counted := &counts{refused: map[string]int{}}
	c := start(t, func(config *api.Config) { config.Meter = counted })
	for _, method := range []string{labpb.TrialService_SubmitTrial_FullMethodName, labpb.TrialService_WatchChanges_FullMethodName} {
		var answer string
		bad := c.bad()
		for name, authorization := range map[string][]string{
			"none": nil, "no token": {"Bearer nonsense"}, "wrong checksum": {"Bearer " + bad["wrong checksum"]}, "another scheme": {"Basic " + c.tokens["ada"]},
			"two": {"Bearer " + c.tokens["ada"], "Bearer " + c.tokens["bo"]}, "no scheme": {c.tokens["ada"]},
		} {
			err := c.halfCall(method, endsWithin, authorization...)
			refused(t, err, codes.Unauthenticated, "UNAUTHENTICATED")
			if answer == "" {
				answer = toldAlike(t, err)
			}
			assert.Equal(t, answer, toldAlike(t, err), name)
		}
		// The control: what only the store can tell waits for the request, and is then refused alike.
		err := c.halfCall(method, 100*time.Millisecond, "Bearer "+bad["unknown"])
		if method == labpb.TrialService_SubmitTrial_FullMethodName {
			assert.Equal(t, codes.Canceled, status.Code(err), "%v", err)
		}
		ctx := metadata.AppendToOutgoingContext(c.as(""), "authorization", "Bearer "+bad["unknown"])
		_, err = c.access().GetCurrentMember(ctx, &accesspb.GetCurrentMemberRequest{})
		assert.Equal(t, answer, toldAlike(t, err))
	}
	counted.mu.Lock()
	assert.GreaterOrEqual(t, counted.unauthenticated, 14)
	assert.Equal(t, counted.unauthenticated, counted.refused["UNAUTHENTICATED"])
	counted.mu.Unlock()
	assert.Contains(t, c.log.String(), `"method":"`+labpb.TrialService_SubmitTrial_FullMethodName+`","code":"Unauthenticated"`)
	assert.NotContains(t, c.log.String(), c.tokens["ada"])

	assert.Equal(t, codes.Unimplemented, status.Code(c.halfCall("/commonvat.lab.v1.TrialService/Unheard", endsWithin)), "what isn't there is told to everybody")
	answer, err := healthpb.NewHealthClient(c.conn).Check(c.as(""), &healthpb.HealthCheckRequest{})
	require.NoError(t, err, "health is for everybody")
	assert.Equal(t, healthpb.HealthCheckResponse_SERVING, answer.GetStatus())
	c.submit("ada", mine)
}

// What the headers tell counts against the address, and beyond the limit a guess isn't read either.
func TestRefusalsByHeadersAloneCount(t *testing.T) {
	at := time.Now()
	const burst = 4
	c := start(t, limited(limits.Config{Now: func() time.Time { return at }, Failures: limits.Rate{PerSecond: 0.1, Burst: burst}}))
	me := func(member string) error {
		_, err := c.access().GetCurrentMember(c.as(member), &accesspb.GetCurrentMemberRequest{})
		return err
	}
	require.NoError(t, me("ada"))
	unknown := "Bearer " + guess(c.tokens["ada"], 7)
	method := labpb.TrialService_SubmitTrial_FullMethodName
	for i := range burst {
		assert.Equal(t, codes.Canceled, status.Code(c.halfCall(method, 50*time.Millisecond, unknown)), "its request is waited for after %d failures", i)
		authorization := []string{"Bearer nonsense"}
		if i%2 == 0 {
			authorization = nil
		}
		refused(t, c.halfCall(method, endsWithin, authorization...), codes.Unauthenticated, "UNAUTHENTICATED")
	}
	refused(t, c.halfCall(method, endsWithin, unknown), codes.Unauthenticated, "UNAUTHENTICATED")
	refused(t, me("bo"), codes.Unauthenticated, "UNAUTHENTICATED")
	require.NoError(t, me("ada"), "whoever proved themselves goes on")
	at = at.Add(10 * time.Second)
	require.NoError(t, me("bo"))
}
