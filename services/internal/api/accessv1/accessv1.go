// Package accessv1 handles commonvat.access.v1: members and their tokens, and the audit trail.
package accessv1

import (
	"context"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	accesspb "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/store"
)

// Config is what the handlers need; all is required.
type Config struct {
	Registry *access.Registry
	Audit    store.AuditTrail
}

// Service handles AccessService and AuditService.
type Service struct {
	accesspb.UnsafeAccessServiceServer
	accesspb.UnsafeAuditServiceServer
	registry *access.Registry
	audit    store.AuditTrail
}

var (
	_ accesspb.AccessServiceServer = (*Service)(nil)
	_ accesspb.AuditServiceServer  = (*Service)(nil)
)

// New returns the handlers.
func New(config Config) *Service { return &Service{registry: config.Registry, audit: config.Audit} }

// Register adds the services to a server.
func (s *Service) Register(server grpc.ServiceRegistrar) {
	accesspb.RegisterAccessServiceServer(server, s)
	accesspb.RegisterAuditServiceServer(server, s)
}

// GetCurrentMember implements accesspb.AccessServiceServer.
func (s *Service) GetCurrentMember(ctx context.Context, _ *accesspb.GetCurrentMemberRequest) (*accesspb.Member, error) {
	row, err := s.registry.Member(ctx, access.MemberOf(ctx))
	if err != nil {
		return nil, err
	}
	return toProto(row), nil
}

// ListMembers implements accesspb.AccessServiceServer.
func (s *Service) ListMembers(ctx context.Context, _ *accesspb.ListMembersRequest) (*accesspb.ListMembersResponse, error) {
	rows, err := s.registry.Members(ctx)
	if err != nil {
		return nil, err
	}
	answer := &accesspb.ListMembersResponse{}
	for _, row := range rows {
		answer.Members = append(answer.Members, toProto(row))
	}
	return answer, nil
}

// CreateMember implements accesspb.AccessServiceServer.
func (s *Service) CreateMember(ctx context.Context, request *accesspb.CreateMemberRequest) (*accesspb.Member, error) {
	member := request.GetMember()
	row := store.MemberRow{ID: member.GetId(), DisplayName: member.GetDisplayName()}
	for _, role := range member.GetRoles() {
		row.Roles = append(row.Roles, roleName(role))
	}
	kept, err := s.registry.CreateMember(ctx, access.ActorOf(ctx), row)
	if err != nil {
		return nil, err
	}
	return toProto(kept), nil
}

// IssueToken implements accesspb.AccessServiceServer.
func (s *Service) IssueToken(ctx context.Context, request *accesspb.IssueTokenRequest) (*accesspb.IssueTokenResponse, error) {
	var expires time.Time
	if request.GetExpireTime() != nil {
		expires = request.GetExpireTime().AsTime()
	}
	id, text, err := s.registry.IssueToken(ctx, access.ActorOf(ctx), request.GetMemberId(), request.GetLabel(), expires)
	if err != nil {
		return nil, err
	}
	return &accesspb.IssueTokenResponse{TokenId: id, Token: text}, nil
}

// ListTokens implements accesspb.AccessServiceServer.
func (s *Service) ListTokens(ctx context.Context, request *accesspb.ListTokensRequest) (*accesspb.ListTokensResponse, error) {
	caller, _ := access.CallerFrom(ctx)
	member := request.GetMemberId()
	if member == "" {
		member = caller.ID
	}
	rows, err := s.registry.Tokens(ctx, caller, member)
	if err != nil {
		return nil, err
	}
	answer := &accesspb.ListTokensResponse{}
	for _, row := range rows {
		answer.Tokens = append(answer.Tokens, &accesspb.Token{
			Id: row.ID, MemberId: row.Member, Label: row.Label, CreateTime: stated(row.CreatedAt), ExpireTime: stated(row.ExpiresAt),
			RevokeTime: stated(row.RevokedAt), LastUseTime: stated(row.LastUsedAt),
		})
	}
	return answer, nil
}

// stated is a time, absent when it is zero.
func stated(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// RevokeToken implements accesspb.AccessServiceServer.
func (s *Service) RevokeToken(ctx context.Context, request *accesspb.RevokeTokenRequest) (*accesspb.RevokeTokenResponse, error) {
	caller, _ := access.CallerFrom(ctx)
	if err := s.registry.RevokeToken(ctx, access.ActorOf(ctx), caller, request.GetTokenId()); err != nil {
		return nil, err
	}
	return &accesspb.RevokeTokenResponse{}, nil
}

func toProto(row store.MemberRow) *accesspb.Member {
	member := &accesspb.Member{Id: row.ID, DisplayName: row.DisplayName, CreateTime: timestamppb.New(row.CreatedAt)}
	for _, name := range row.Roles {
		member.Roles = append(member.Roles, roleNumber(name))
	}
	return member
}

// access.Roles are in the order of the enumeration, which begins at 1.
func roleNumber(name string) accesspb.Role {
	return accesspb.Role(slices.Index(access.Roles, access.Role(name)) + 1)
}

func roleName(role accesspb.Role) string {
	if i := int(role) - 1; i >= 0 && i < len(access.Roles) {
		return string(access.Roles[i])
	}
	return ""
}
