package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/types/known/timestamppb"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/store"
)

func (l *lines) has(text string) bool { return strings.Contains(l.String(), text) }

// brokenStore is the real store, of which one call fails or panics.
type brokenStore struct {
	store.Engine
	read func() (store.TrialRow, error)
}

func (s brokenStore) TrialRow(context.Context, string) (store.TrialRow, error) { return s.read() }

func broken(read func() (store.TrialRow, error)) option {
	return func(config *api.Config) { config.Store = brokenStore{Engine: config.Store, read: read} }
}

func TestPanicEndsItsCallAlone(t *testing.T) {
	c := start(t, broken(func() (store.TrialRow, error) { panic("a fault of ours in /srv/secret") }))
	_, err := c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: newID()})
	refused(t, err, codes.Internal, "INTERNAL")
	assert.NotContains(t, err.Error(), "secret")
	assert.True(t, c.log.has("a fault of ours"))
	_, err = c.access().GetCurrentMember(c.as("ada"), &accesspb.GetCurrentMemberRequest{})
	require.NoError(t, err, "the core goes on")
}

func TestUnexpectedFaultIsLoggedUnderItsRequestID(t *testing.T) {
	c := start(t, broken(func() (store.TrialRow, error) {
		return store.TrialRow{}, &json.UnsupportedValueError{Str: "disk on fire at /srv"}
	}))
	_, err := c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: newID()})
	refused(t, err, codes.Internal, "INTERNAL")
	assert.NotContains(t, err.Error(), "/srv")
	assert.True(t, c.log.has("disk on fire at /srv"))
}

// sent is a codec that sends bytes as they are.
type sent struct{}

func (sent) Name() string { return "proto" }

func (sent) Marshal(v any) ([]byte, error) { return *v.(*[]byte), nil }

func (sent) Unmarshal([]byte, any) error { return nil }

// Bytes that are no message are a malformed request like any other, and need a token like any other.
func TestBytesThatAreNoMessage(t *testing.T) {
	c := start(t)
	for name, body := range map[string][]byte{
		"not UTF-8":      {0x0a, 0x02, 0xff, 0xfe},
		"cut":            {0x0a, 0x7f, 'x'},
		"no tag":         {0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff},
		"deep groups":    bytes.Repeat([]byte{0x9b, 0x06}, 200_000),
		"unknown fields": {0xa0, 0x3f, 0x01},
	} {
		for _, method := range []string{"/commonvat.lab.v1.TrialService/GetTrial", "/commonvat.access.v1.AccessService/ListMembers"} {
			err := c.conn.Invoke(c.as("ada"), method, &body, &[]byte{}, grpc.ForceCodec(sent{}))
			bad := refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
			assert.Contains(t, bad[0].GetDescription(), "malformed", name)
			err = c.conn.Invoke(c.as(""), method, &body, &[]byte{}, grpc.ForceCodec(sent{}))
			refused(t, err, codes.Unauthenticated, "UNAUTHENTICATED")
		}
	}
}

// A caller's absurd deadline doesn't hold a handler for ever.
func TestDeadlineIsCapped(t *testing.T) {
	var deadline time.Time
	c := start(t, func(config *api.Config) {
		config.MaxUnary = 2 * time.Second // so long that the call comes to the store on a busy machine too
		config.Store = slowStore{Engine: config.Store, deadline: &deadline}
	})
	_, err := c.trials().GetTrial(c.as("ada"), &labpb.GetTrialRequest{TrialId: newID()})
	refused(t, err, codes.DeadlineExceeded, "DEADLINE_EXCEEDED")
	assert.False(t, deadline.IsZero())
}

type slowStore struct {
	store.Engine
	deadline *time.Time
}

func (s slowStore) TrialRow(ctx context.Context, _ string) (store.TrialRow, error) {
	*s.deadline, _ = ctx.Deadline()
	<-ctx.Done()
	return store.TrialRow{}, ctx.Err()
}

// One line a call, with what is needed to find it and nothing that is anybody's secret.
func TestLogHasOneLineACall(t *testing.T) {
	c := start(t)
	kept := c.submit("ada", mine)
	var line map[string]any
	found := 0
	for text := range strings.Lines(c.log.String()) {
		require.NoError(t, json.Unmarshal([]byte(text), &line))
		if line["msg"] == "call" {
			found++
			assert.Equal(t, "/commonvat.lab.v1.TrialService/SubmitTrial", line["method"])
			assert.Equal(t, "OK", line["code"])
			assert.Equal(t, "ada", line["member"])
			assert.NotEmpty(t, line["request_id"])
		}
	}
	assert.Equal(t, 1, found)
	assert.False(t, c.log.has(kept.GetTrial().GetTitle()))
	assert.False(t, c.log.has("cvat_"))
}

func TestHealthNeedsNoToken(t *testing.T) {
	c := start(t)
	health := healthpb.NewHealthClient(c.conn)
	for _, service := range []string{"", "commonvat.lab.v1.TrialService", "commonvat.pool.v1.PoolService", "commonvat.access.v1.AccessService"} {
		answer, err := health.Check(c.as(""), &healthpb.HealthCheckRequest{Service: service})
		require.NoError(t, err, service)
		assert.Equal(t, healthpb.HealthCheckResponse_SERVING, answer.GetStatus(), service)
	}
}

func TestTokensOverTheWire(t *testing.T) {
	c := start(t)
	made, err := c.access().CreateMember(c.as("stella"), &accesspb.CreateMemberRequest{Member: &accesspb.Member{
		Id: "dot", DisplayName: "Dot", Roles: []accesspb.Role{accesspb.Role_ROLE_MEMBER, accesspb.Role_ROLE_STEWARD}}})
	require.NoError(t, err)
	assert.NotNil(t, made.GetCreateTime())
	_, err = c.access().CreateMember(c.as("stella"), &accesspb.CreateMemberRequest{Member: &accesspb.Member{Id: "dot", DisplayName: "x", Roles: []accesspb.Role{1}}})
	refused(t, err, codes.AlreadyExists, "ID_IN_USE")
	issued, err := c.access().IssueToken(c.as("stella"), &accesspb.IssueTokenRequest{MemberId: "dot", ExpireTime: timestamppb.New(time.Now().Add(time.Hour))})
	require.NoError(t, err)
	c.tokens["dot"] = issued.GetToken()
	who, err := c.access().GetCurrentMember(c.as("dot"), &accesspb.GetCurrentMemberRequest{})
	require.NoError(t, err)
	assert.Equal(t, "dot", who.GetId())
	assert.Equal(t, []accesspb.Role{accesspb.Role_ROLE_MEMBER, accesspb.Role_ROLE_STEWARD}, who.GetRoles())

	_, err = c.access().IssueToken(c.as("stella"), &accesspb.IssueTokenRequest{MemberId: "dot", ExpireTime: timestamppb.New(time.Now().Add(-time.Hour))})
	bad := refused(t, err, codes.InvalidArgument, "INVALID_FIELD")
	assert.Equal(t, "expire_time", bad[0].GetField())
	_, err = c.access().IssueToken(c.as("stella"), &accesspb.IssueTokenRequest{MemberId: "nobody"})
	refused(t, err, codes.NotFound, "NOT_FOUND")

	_, err = c.access().RevokeToken(c.as("ada"), &accesspb.RevokeTokenRequest{TokenId: issued.GetTokenId()})
	refused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.access().RevokeToken(c.as("dot"), &accesspb.RevokeTokenRequest{TokenId: issued.GetTokenId()})
	require.NoError(t, err)
	_, err = c.access().GetCurrentMember(c.as("dot"), &accesspb.GetCurrentMemberRequest{})
	refused(t, err, codes.Unauthenticated, "UNAUTHENTICATED")

	list, err := c.access().ListMembers(c.as("ada"), &accesspb.ListMembersRequest{})
	require.NoError(t, err)
	assert.Len(t, list.GetMembers(), len(roles)+1)
	modules, err := catalogpb.NewCatalogServiceClient(c.conn).ListModules(c.as("stella"), &catalogpb.ListModulesRequest{})
	require.NoError(t, err)
	assert.Empty(t, modules.GetModules())
}

func TestListenRefusesPlaintextBeyondLoopback(t *testing.T) {
	for _, address := range []string{":0", "0.0.0.0:0", "[::]:0", "192.0.2.1:80"} {
		_, _, err := api.Listen(t.Context(), address, false)
		require.ErrorContains(t, err, "is not loopback", address)
		_, public, err := api.CheckAddress(address, true)
		require.NoError(t, err)
		assert.True(t, public)
	}
	_, _, err := api.Listen(t.Context(), "127.0.0.1:notaport", false)
	require.Error(t, err)
	listener, public, err := api.Listen(t.Context(), "127.0.0.1:0", false)
	require.NoError(t, err)
	assert.False(t, public)
	require.NoError(t, listener.Close())
}
