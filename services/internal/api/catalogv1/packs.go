package catalogv1

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/store"
)

// PackKeeper keeps the data of modules; *packs.Keeper does.
type PackKeeper interface {
	List(ctx context.Context) (rows []store.PackRow, without []string, err error)
	Get(ctx context.Context, module, digest string) (store.PackRow, []byte, error)
	Add(ctx context.Context, by store.Actor, module string, content []byte, reason string) (store.PackRow, error)
	Activate(ctx context.Context, by store.Actor, module, digest, reason string) (store.PackRow, error)
	Retire(ctx context.Context, by store.Actor, module, digest, reason string) (store.PackRow, error)
}

// Packs handles PackService.
type Packs struct {
	catalogpb.UnsafePackServiceServer
	keeper PackKeeper
}

var _ catalogpb.PackServiceServer = (*Packs)(nil)

// NewPacks returns the handlers.
func NewPacks(keeper PackKeeper) *Packs { return &Packs{keeper: keeper} }

// Register adds the service to a server.
func (s *Packs) Register(server grpc.ServiceRegistrar) {
	catalogpb.RegisterPackServiceServer(server, s)
}

// ListPacks implements catalogpb.PackServiceServer.
func (s *Packs) ListPacks(ctx context.Context, _ *catalogpb.ListPacksRequest) (*catalogpb.ListPacksResponse, error) {
	rows, without, err := s.keeper.List(ctx)
	if err != nil {
		return nil, err
	}
	answer := &catalogpb.ListPacksResponse{ModulesWithout: without}
	for _, row := range rows {
		answer.Packs = append(answer.Packs, packOf(row))
	}
	return answer, nil
}

// GetPack implements catalogpb.PackServiceServer.
func (s *Packs) GetPack(ctx context.Context, request *catalogpb.GetPackRequest) (*catalogpb.GetPackResponse, error) {
	row, content, err := s.keeper.Get(ctx, request.GetModule(), request.GetSha256())
	if err != nil {
		return nil, err
	}
	return &catalogpb.GetPackResponse{Pack: packOf(row), Content: content}, nil
}

// AddPack implements catalogpb.PackServiceServer.
func (s *Packs) AddPack(ctx context.Context, request *catalogpb.AddPackRequest) (*catalogpb.Pack, error) {
	return told(s.keeper.Add(ctx, access.ActorOf(ctx), request.GetModule(), request.GetContent(), request.GetReason()))
}

// ActivatePack implements catalogpb.PackServiceServer.
func (s *Packs) ActivatePack(ctx context.Context, request *catalogpb.ActivatePackRequest) (*catalogpb.Pack, error) {
	return told(s.keeper.Activate(ctx, access.ActorOf(ctx), request.GetModule(), request.GetSha256(), request.GetReason()))
}

// RetirePack implements catalogpb.PackServiceServer.
func (s *Packs) RetirePack(ctx context.Context, request *catalogpb.RetirePackRequest) (*catalogpb.Pack, error) {
	return told(s.keeper.Retire(ctx, access.ActorOf(ctx), request.GetModule(), request.GetSha256(), request.GetReason()))
}

func told(row store.PackRow, err error) (*catalogpb.Pack, error) {
	if err != nil {
		return nil, err
	}
	return packOf(row), nil
}

func packOf(row store.PackRow) *catalogpb.Pack {
	return &catalogpb.Pack{
		Sha256: row.Digest, Module: row.Module, Kind: row.Kind, Name: row.Name, Version: row.Version, SizeBytes: int32(min(row.Bytes, 1<<30)),
		InForce: row.InForce, CameWithModule: row.Own, ChangeTime: timestamppb.New(row.At), ChangedBy: row.By,
	}
}
