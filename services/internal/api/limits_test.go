package api_test

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typespb "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/limits"
	"github.com/commonvat/commonvat/services/internal/store"
)

// Every registered method has a class of what it costs, and only probes have none.
func TestEveryMethodHasAClass(t *testing.T) {
	for method := range methods(start(t)) {
		class, named := limits.ClassOf(method)
		assert.True(t, named, "%s is in no class", method)
		assert.Equal(t, strings.HasPrefix(method, "/grpc.health.v1.Health/"), class == limits.Exempt, method)
		assert.Equal(t, access.NeedsToken(method), class != limits.Exempt, "%s: a limit is a member's", method)
	}
}

func limited(c limits.Config) option { return func(config *api.Config) { config.Limits = c } }

// retryDelay is what a refusal says of when to ask again; 0 is nothing.
func retryDelay(err error) time.Duration {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.RetryInfo); ok {
			return info.GetRetryDelay().AsDuration()
		}
	}
	return 0
}

func TestCallsBeyondTheRateAreRefused(t *testing.T) {
	at := time.Now()
	c := start(t, limited(limits.Config{Now: func() time.Time { return at },
		Rates: map[limits.Class]limits.Rate{limits.Read: {PerSecond: 2, Burst: 3}, limits.Write: {PerSecond: 0.1, Burst: 1}}}))
	me := func(member string) error {
		_, err := c.access().GetCurrentMember(c.as(member), &accesspb.GetCurrentMemberRequest{})
		return err
	}
	c.submit("ada", mine)
	for range 3 {
		require.NoError(t, me("ada"))
	}
	err := me("ada")
	refused(t, err, codes.ResourceExhausted, "RATE_LIMITED")
	assert.Equal(t, 500*time.Millisecond, retryDelay(err))
	require.NoError(t, me("bo"), "another member")
	_, err = healthpb.NewHealthClient(c.conn).Check(c.as("ada"), &healthpb.HealthCheckRequest{})
	require.NoError(t, err, "a probe")

	before := c.store.Revision()
	request := smallTrial()
	_, err = c.trials().SubmitTrial(c.as("ada"), request)
	refused(t, err, codes.ResourceExhausted, "RATE_LIMITED")
	assert.Equal(t, 10*time.Second, retryDelay(err))
	assert.Equal(t, before, c.store.Revision(), "nothing was written")
	at = at.Add(retryDelay(err))
	_, err = c.trials().SubmitTrial(c.as("ada"), request)
	require.NoError(t, err, "the same request, when it was told to come again")
	// What is wrong in itself counts too.
	_, err = c.trials().SubmitTrial(c.as("ada"), &labpb.SubmitTrialRequest{})
	refused(t, err, codes.ResourceExhausted, "RATE_LIMITED")
	// So does what the caller may not do.
	for range 1000 {
		if _, err = c.access().CreateMember(c.as("bo"), &accesspb.CreateMemberRequest{}); status.Code(err) != codes.PermissionDenied {
			break
		}
	}
	refused(t, err, codes.ResourceExhausted, "RATE_LIMITED")
}

func TestLimitsOutOfRangeDoNotStart(t *testing.T) {
	c := start(t)
	_, err := api.New(api.Config{Registry: c.registry, Store: c.store, Modules: noModules{}, Limits: limits.Config{Questions: -1}})
	require.ErrorContains(t, err, "limit questions: -1 is out of range")
}

// longQuestion is a pool whose questions last until told to end.
type longQuestion struct {
	poolpb.UnimplementedPoolServiceServer
	asked chan struct{}
	end   chan struct{}
}

func (q longQuestion) AskPalette(ctx context.Context, _ *poolpb.AskPaletteRequest) (*poolpb.AskPaletteResponse, error) {
	q.asked <- struct{}{}
	select {
	case <-q.end:
		return &poolpb.AskPaletteResponse{}, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func TestQuestionsAtATimeAreBounded(t *testing.T) {
	long := longQuestion{asked: make(chan struct{}), end: make(chan struct{})}
	c := start(t, limited(limits.Config{Questions: 2, QuestionsPerMember: 1}), func(config *api.Config) {
		config.Register = []func(grpc.ServiceRegistrar){func(s grpc.ServiceRegistrar) { poolpb.RegisterPoolServiceServer(s, long) }}
	})
	ask := func(member string) error {
		_, err := poolpb.NewPoolServiceClient(c.conn).AskPalette(c.as(member), &poolpb.AskPaletteRequest{GroupBy: poolpb.GroupBy_GROUP_BY_ORDER})
		return err
	}
	answers := make(chan error, 2)
	begin := func(member string) {
		go func() { answers <- ask(member) }()
		select {
		case <-long.asked:
		case err := <-answers:
			t.Fatal("the question of ", member, " does not run: ", err)
		}
	}
	for _, member := range []string{"ada", "bo"} {
		begin(member)
	}
	for _, member := range []string{"ada", "cy"} { // at the member's own bound, and at the core's
		err := ask(member)
		refused(t, err, codes.ResourceExhausted, "BUSY")
		assert.Positive(t, retryDelay(err))
	}
	c.submit("cy", mine) // records are served all the same
	close(long.end)
	require.NoError(t, <-answers)
	require.NoError(t, <-answers)
	begin("cy")
	require.NoError(t, <-answers)
}

func TestOpenWatchesAreBounded(t *testing.T) {
	c := start(t, limited(limits.Config{WatchesPerMember: 2}))
	ctx, cancel := context.WithCancel(c.as("ada"))
	first, err := c.trials().WatchChanges(ctx, &labpb.WatchChangesRequest{AfterRevision: -1})
	require.NoError(t, err)
	_, err = first.Header()
	require.NoError(t, err)
	c.watch("ada", -1)
	another := func() error {
		stream, err := c.trials().WatchChanges(c.as("ada"), &labpb.WatchChangesRequest{AfterRevision: 99})
		require.NoError(t, err)
		_, err = stream.Recv()
		return err
	}
	err = another()
	refused(t, err, codes.ResourceExhausted, "TOO_MANY_WATCHES")
	assert.Zero(t, retryDelay(err))
	c.watch("bo", -1)
	cancel()
	assert.Eventually(t, func() bool { return status.Code(another()) == codes.OutOfRange }, time.Minute, 10*time.Millisecond, "its place is free again")
}

// countingMembers is the real store, with a count of the tokens that were looked up.
type countingMembers struct {
	store.Engine
	looked *atomic.Int64
}

func (m countingMembers) Token(ctx context.Context, id string) (store.TokenRow, error) {
	m.looked.Add(1)
	return m.Engine.Token(ctx, id)
}

// summed puts the right checksum to the body of a token (the format is told in package access).
func summed(body string) string {
	return fmt.Sprintf("%s_%08x", body, crc32.ChecksumIEEE([]byte(body)))
}

// guess is a well-formed token that nobody has: only a look into the store tells.
func guess(good string, i int) string {
	parts := strings.Split(good, "_")
	id := []byte("aaaaaaaaaaaaaaaa")
	const letters = "abcdefghijklmnopqrstuvwxyz234567"
	for at := 0; i > 0; at, i = at+1, i/32 {
		id[at] = letters[i%32]
	}
	return summed(parts[0] + "_" + string(id) + "_" + parts[2])
}

// bad makes every kind of wrong token of a good one of ada's.
func (c *core) bad() map[string]string {
	c.t.Helper()
	good := c.tokens["ada"]
	parts := strings.Split(good, "_")
	otherSecret := []byte(parts[2])
	otherSecret[0] ^= 1 // another letter of the same alphabet, or what is none of it: wrong either way
	ctx := context.Background()
	revokedID, revoked, err := c.registry.IssueToken(ctx, store.Actor{Member: store.Server, Method: "test"}, "ada", "", time.Time{})
	require.NoError(c.t, err)
	require.NoError(c.t, c.registry.RevokeToken(ctx, store.Actor{Member: "ada", Method: "test"}, access.Caller{ID: "ada"}, revokedID))
	var expires time.Time
	var expired string
	for wait, begun := 5*time.Millisecond, false; !begun; wait *= 2 { // on a busy machine a short one may be past before it is issued
		expires = time.Now().Add(wait)
		_, expired, err = c.registry.IssueToken(ctx, store.Actor{Member: store.Server, Method: "test"}, "ada", "", expires)
		begun = err == nil
		require.Less(c.t, wait, time.Minute, "%v", err)
	}
	time.Sleep(time.Until(expires.Add(time.Millisecond)))
	return map[string]string{
		"wrong checksum": good[:len(good)-8] + "00000000",
		"unknown":        guess(good, 12345),
		"wrong secret":   summed(parts[0] + "_" + parts[1] + "_" + string(otherSecret)),
		"revoked":        revoked,
		"expired":        expired,
		"no token":       "nonsense",
	}
}

// told is a refusal without what is each call's own.
func toldAlike(t *testing.T, err error) string {
	t.Helper()
	st := status.Convert(err).Proto()
	require.EqualValues(t, codes.Unauthenticated, st.GetCode(), "%v", err)
	for i, detail := range st.GetDetails() {
		if detail.MessageIs(&errdetails.RequestInfo{}) {
			st.Details = append(st.Details[:i], st.Details[i+1:]...)
			break
		}
	}
	text, marshalErr := proto.MarshalOptions{Deterministic: true}.Marshal(st)
	require.NoError(t, marshalErr)
	return string(text)
}

// All that is wrong is told alike, so that nothing is learned of which tokens there are or were.
func TestWrongTokensAreToldAlike(t *testing.T) {
	c := start(t)
	with := func(token string) error {
		ctx := metadata.AppendToOutgoingContext(c.as(""), "authorization", "Bearer "+token)
		_, err := c.access().GetCurrentMember(ctx, &accesspb.GetCurrentMemberRequest{})
		return err
	}
	_, err := c.access().GetCurrentMember(c.as(""), &accesspb.GetCurrentMemberRequest{})
	none := toldAlike(t, err)
	for name, token := range c.bad() {
		assert.Equal(t, none, toldAlike(t, with(token)), name)
		assert.Equal(t, none, toldAlike(t, with(token)), "%s, a second time", name)
	}
	require.NoError(t, with(c.tokens["ada"]))
}

// Whoever keeps guessing is answered as before, and the store isn't asked any more; members at the same address work on.
func TestGuessesAreNotLookedUpWithoutEnd(t *testing.T) {
	at, looked := time.Now(), &atomic.Int64{}
	const burst = 5
	c := start(t, limited(limits.Config{Now: func() time.Time { return at }, Failures: limits.Rate{PerSecond: 0.1, Burst: burst}}), func(config *api.Config) {
		config.Registry = access.New(countingMembers{config.Store, looked}, nil)
	})
	me := func(token string) error {
		_, err := c.access().GetCurrentMember(metadata.AppendToOutgoingContext(c.as(""), "authorization", "Bearer "+token), &accesspb.GetCurrentMemberRequest{})
		return err
	}
	require.NoError(t, me(c.tokens["ada"]))
	looked.Store(0)
	var answer string
	for i := range 200 {
		this := toldAlike(t, me(guess(c.tokens["ada"], i)))
		if i > 0 {
			assert.Equal(t, answer, this)
		}
		answer = this
	}
	assert.EqualValues(t, burst, looked.Load())
	require.NoError(t, me(c.tokens["ada"]))
	assert.Equal(t, answer, toldAlike(t, me(c.tokens["bo"])), "not proven yet: indistinguishable from a guess")
	at = at.Add(10 * time.Second)
	require.NoError(t, me(c.tokens["bo"]))
}

func TestOversizeRequestIsRefused(t *testing.T) {
	c := start(t)
	before := c.store.Revision()
	request := smallTrial()
	request.Trial.Looks = []*labpb.Look{{Id: newID(), Text: strings.Repeat("x", api.MaxReceiveBytes)}}
	_, err := c.trials().SubmitTrial(c.as("ada"), request)
	assert.Equal(t, codes.ResourceExhausted, status.Code(err))
	assert.ErrorContains(t, err, fmt.Sprintf("vs. %d", api.MaxReceiveBytes))
	assert.Equal(t, before, c.store.Revision())
	stream, err := c.trials().WatchChanges(metadata.AppendToOutgoingContext(c.as("ada"), "x-much", strings.Repeat("x", api.MaxHeaderBytes)), &labpb.WatchChangesRequest{})
	if err == nil {
		_, err = stream.Recv()
	}
	assert.ErrorContains(t, err, fmt.Sprint(api.MaxHeaderBytes), "the client was told how much a header may hold")
	c.submit("ada", mine)
}

// As many rows as a client of ours sends at a time, each with a spectrum, go in within the deadline and the size.
func TestLargeImportGoesIn(t *testing.T) {
	c := start(t)
	request := &labpb.ImportReadingsRequest{Source: "meter"}
	for i := range 500 {
		spectrum := &typespb.Spectrum{StartNm: 380, StepNm: 5}
		for band := range 81 {
			spectrum.Reflectance = append(spectrum.Reflectance, 0.1+float64((i+band)%80)/100)
		}
		request.Rows = append(request.Rows, &labpb.ImportRow{RowNumber: int32(i + 1), RowKey: fmt.Sprint(i), PieceKey: fmt.Sprint(i),
			Fibre:   &typespb.Fibre{Composition: []*typespb.FibrePart{{Fibre: "wool", Percent: 100}}},
			Reading: &labpb.Reading{State: labpb.PieceState_PIECE_STATE_DRY, Raw: &typespb.RawColour{Value: &typespb.RawColour_Spectrum{Spectrum: spectrum}}}})
	}
	answer, err := labpb.NewImportServiceClient(c.conn).ImportReadings(c.as("ada"), request)
	require.NoError(t, err)
	for _, row := range answer.GetResults() {
		require.Equal(t, labpb.ImportOutcome_IMPORT_OUTCOME_ADDED, row.GetOutcome(), row.GetReason())
	}
}

// failing is the real store, of which looking up a token fails.
type failing struct{ store.Engine }

func (failing) Token(context.Context, string) (store.TokenRow, error) {
	return store.TokenRow{}, errors.New("disk on fire")
}

// A fault of the store is no failed sign-in: it is told as what it is and counts against nobody.
func TestAFaultOfTheStoreIsNoWrongToken(t *testing.T) {
	c := start(t, limited(limits.Config{Failures: limits.Rate{PerSecond: 0.001, Burst: 1}}), func(config *api.Config) {
		config.Registry = access.New(failing{config.Store}, nil)
	})
	for range 3 {
		_, err := c.access().GetCurrentMember(c.as("ada"), &accesspb.GetCurrentMemberRequest{})
		refused(t, err, codes.Internal, "INTERNAL")
	}
}
