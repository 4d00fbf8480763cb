// Package access says who the caller is and what they may do: tokens, members, roles,
// the table of who may call which method, and who may read which record.
//
// Everything is refused that isn't allowed by name. Faults are ErrUnauthenticated and the sentinels of
// package trial; the map to a status is elsewhere.
package access

import (
	"context"
	"errors"
	"regexp"
	"slices"

	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ErrUnauthenticated says that there is no token, or it is mistyped, unknown, ended or revoked. Which of them is never told.
var ErrUnauthenticated = errors.New("unauthenticated")

// Role is what a member may do beyond their own records.
type Role string

// The roles. They don't contain each other: whoever does two jobs has two roles.
const (
	Member      Role = "member"
	Researcher  Role = "researcher"
	Coordinator Role = "coordinator"
	Steward     Role = "steward"
)

// Roles are all roles, in the order in which they are shown.
var Roles = []Role{Member, Researcher, Coordinator, Steward}

const roleNames = string(Member) + ", " + string(Researcher) + ", " + string(Coordinator) + ", " + string(Steward)

var memberID = regexp.MustCompile(`^[a-z][a-z0-9-]{1,31}$`)

// ValidMemberID reports whether id is 2 to 32 of a-z, 0-9 and "-", beginning with a letter.
func ValidMemberID(id string) bool { return memberID.MatchString(id) }

// Caller is the member on whose behalf a call is made. The zero value is nobody.
type Caller struct {
	ID          trial.MemberID
	DisplayName string
	Roles       []Role
	TokenID     string
}

// Has reports whether the caller has one of the roles.
func (c Caller) Has(roles ...Role) bool {
	return slices.ContainsFunc(roles, func(role Role) bool { return slices.Contains(c.Roles, role) })
}

type callerKey struct{}

// WithCaller returns a context that carries the caller.
func WithCaller(ctx context.Context, caller Caller) context.Context {
	return context.WithValue(ctx, callerKey{}, caller)
}

// CallerFrom returns the caller of a context; false when nobody was authenticated.
func CallerFrom(ctx context.Context) (Caller, bool) {
	caller, ok := ctx.Value(callerKey{}).(Caller)
	return caller, ok
}

// ActorOf returns who changes something in the course of a call: the caller, their token and the method.
func ActorOf(ctx context.Context) store.Actor {
	caller, _ := CallerFrom(ctx)
	method, _ := grpc.Method(ctx)
	return store.Actor{Member: caller.ID, TokenID: caller.TokenID, Method: method}
}

// MemberOf returns the id of the caller, or "" when nobody was authenticated.
func MemberOf(ctx context.Context) trial.MemberID {
	caller, _ := CallerFrom(ctx)
	return caller.ID
}
