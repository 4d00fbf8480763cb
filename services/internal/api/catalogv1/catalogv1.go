// Package catalogv1 handles commonvat.catalog.v1: the modules and how they fare.
package catalogv1

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/catalog"
)

// Modules tells about the active modules; *catalog.Catalog does.
type Modules interface {
	Status() []catalog.Status
}

// Config is what the handlers need.
type Config struct {
	Modules Modules
}

// Service handles CatalogService.
type Service struct {
	catalogpb.UnsafeCatalogServiceServer
	modules Modules
}

var _ catalogpb.CatalogServiceServer = (*Service)(nil)

// New returns the handlers.
func New(config Config) *Service { return &Service{modules: config.Modules} }

// Register adds the service to a server.
func (s *Service) Register(server grpc.ServiceRegistrar) {
	catalogpb.RegisterCatalogServiceServer(server, s)
}

// ListModules implements catalogpb.CatalogServiceServer.
func (s *Service) ListModules(context.Context, *catalogpb.ListModulesRequest) (*catalogpb.ListModulesResponse, error) {
	answer := &catalogpb.ListModulesResponse{}
	for _, status := range s.modules.Status() {
		answer.Modules = append(answer.Modules, &catalogpb.ModuleStatus{
			Module: &typesv1.ModuleIdentity{
				Name: status.Name, Version: status.Version, Digest: status.Digest, Kind: status.Kind,
			},
			State: states[status.State], DefaultOfKind: status.Default, Restarts: int32(min(status.Restarts, 1<<30)),
			Reason: status.Reason, Since: timestamppb.New(status.Since), Summary: status.Description.GetSummary(),
		})
	}
	return answer, nil
}

var states = map[catalog.State]catalogpb.ModuleState{
	catalog.StateStarting:    catalogpb.ModuleState_MODULE_STATE_STARTING,
	catalog.StateRunning:     catalogpb.ModuleState_MODULE_STATE_RUNNING,
	catalog.StateBackoff:     catalogpb.ModuleState_MODULE_STATE_BACKOFF,
	catalog.StateQuarantined: catalogpb.ModuleState_MODULE_STATE_QUARANTINED,
	catalog.StateStopped:     catalogpb.ModuleState_MODULE_STATE_STOPPED,
}
