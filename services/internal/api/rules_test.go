package api_test

import (
	"context"
	"errors"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/emptypb"

	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
)

// methods are the registered methods of the server, with whether each is a stream.
func methods(c *core) map[string]bool {
	all := map[string]bool{}
	for name, service := range c.server.ServiceInfo() {
		for _, method := range service.Methods {
			all["/"+name+"/"+method.Name] = method.IsClientStream || method.IsServerStream
		}
	}
	return all
}

// Every registered method has a rule, streams, health and reflection too, and no rule is of a method that isn't there.
func TestEveryMethodHasARule(t *testing.T) {
	c := start(t)
	registered := methods(c)
	require.Greater(t, len(registered), 30)
	for method := range registered {
		assert.Contains(t, access.Rules, method)
	}
	for method, rule := range access.Rules {
		assert.Contains(t, registered, method, "a rule of nothing")
		if rule.Anyone {
			assert.True(t, strings.HasPrefix(method, "/grpc.health.v1.Health/"), "%s is open to everybody", method)
		}
	}
}

// A method without a rule isn't served at all.
func TestServerWithoutARuleDoesNotStart(t *testing.T) {
	c := start(t)
	_, err := api.New(api.Config{
		Registry: c.registry, Store: c.store, Modules: noModules{},
		Register: []func(grpc.ServiceRegistrar){func(server grpc.ServiceRegistrar) {
			server.RegisterService(&grpc.ServiceDesc{ServiceName: "commonvat.stray.v1.StrayService", HandlerType: (*any)(nil), Methods: []grpc.MethodDesc{{MethodName: "Stray"}}}, struct{}{})
		}},
	})
	require.ErrorContains(t, err, "/commonvat.stray.v1.StrayService/Stray has no rule")
}

// code calls a method with an empty request and returns the code that came back.
func code(c *core, member, method string, stream bool) codes.Code {
	ctx, cancel := context.WithCancel(c.as(member))
	defer cancel()
	if !stream {
		return status.Code(c.conn.Invoke(ctx, method, &emptypb.Empty{}, &emptypb.Empty{}))
	}
	s, err := c.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, method)
	if err != nil {
		return status.Code(err)
	}
	// A call that was refused by now takes no message: io.EOF, and RecvMsg has the status.
	if err := s.SendMsg(&emptypb.Empty{}); err != nil && !errors.Is(err, io.EOF) {
		return status.Code(err)
	}
	if err := s.CloseSend(); err != nil {
		return status.Code(err)
	}
	// The header tells that the call got past the door; without one the refusal comes.
	header, err := s.Header()
	if err != nil {
		return status.Code(err)
	}
	if header != nil {
		return codes.OK
	}
	err = s.RecvMsg(&emptypb.Empty{})
	if errors.Is(err, io.EOF) {
		return codes.OK
	}
	return status.Code(err)
}

// The whole table of methods and roles, over the wire. What is allowed gets past the door: the answer
// may then be a refusal for the empty request, and never PERMISSION_DENIED or UNAUTHENTICATED.
func TestMethodsAndRoles(t *testing.T) {
	c := start(t)
	all := methods(c)
	callers := map[string]access.Role{"ada": access.Member, "rosa": access.Researcher, "coco": access.Coordinator, "stella": access.Steward}
	for _, method := range slices.Sorted(maps.Keys(all)) {
		rule := access.Rules[method]
		if !rule.Anyone {
			assert.Equal(t, codes.Unauthenticated, code(c, "", method, all[method]), "nobody calls %s", method)
		}
		for member, role := range callers {
			got := code(c, member, method, all[method])
			if rule.Anyone || rule.AnyMember || slices.Contains(rule.Roles, role) {
				assert.NotContains(t, []codes.Code{codes.PermissionDenied, codes.Unauthenticated, codes.Internal, codes.Unimplemented}, got, "%s calls %s", role, method)
			} else {
				assert.Equal(t, codes.PermissionDenied, got, "%s calls %s", role, method)
			}
		}
	}
}

func TestUnknownMethodIsRefused(t *testing.T) {
	c := start(t)
	err := c.conn.Invoke(c.as("stella"), "/commonvat.lab.v1.TrialService/DropEverything", &emptypb.Empty{}, &emptypb.Empty{})
	assert.Equal(t, codes.Unimplemented, status.Code(err))
	require.ErrorContains(t, access.MayCall(access.Caller{ID: "stella", Roles: access.Roles}, "/commonvat.lab.v1.TrialService/DropEverything"), "not allowed")
}

func TestBadAuthorizationIsRefused(t *testing.T) {
	c := start(t)
	good := c.tokens["ada"]
	for name, pairs := range map[string][]string{
		"none":         {},
		"empty":        {"authorization", ""},
		"no scheme":    {"authorization", good},
		"other scheme": {"authorization", "Basic " + good},
		"two":          {"authorization", "Bearer " + good, "authorization", "Bearer " + good},
		"mistyped":     {"authorization", "Bearer " + good[:len(good)-1] + "x"},
		"cut":          {"authorization", "Bearer " + good[:40]},
	} {
		ctx := metadata.AppendToOutgoingContext(c.as(""), pairs...)
		_, err := c.access().GetCurrentMember(ctx, nil)
		refused(t, err, codes.Unauthenticated, "UNAUTHENTICATED")
		assert.NotContains(t, err.Error(), good[:20], name)
	}
	assert.NotContains(t, c.log.String(), good[10:40], "a token is in the log")
}
