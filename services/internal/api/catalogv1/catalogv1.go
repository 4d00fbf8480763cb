// Package catalogv1 handles commonvat.catalog.v1: the modules and how they fare.
package catalogv1

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/store"
)

// Modules is what the handlers do with the active modules; *catalog.Catalog does.
type Modules interface {
	Status() []catalog.Status
	Activate(ctx context.Context, digest string, commit func() error) error
	SetDefault(ref string) error
	Retire(ref string) error
	Revive(ref string) (settled <-chan struct{}, err error)
}

// Config is what the handlers need.
type Config struct {
	Modules Modules
	// Folder is the store of installed modules; it is only read.
	Folder  string
	Choices store.ModuleChoices
	Log     *slog.Logger
	// Clock defaults to time.Now.
	Clock func() time.Time
}

// Service handles CatalogService.
type Service struct {
	catalogpb.UnsafeCatalogServiceServer
	modules Modules
	folder  string
	choices store.ModuleChoices
	log     *slog.Logger
	clock   func() time.Time

	choosing sync.Mutex // one change at a time, so that what is kept is what serves
}

var _ catalogpb.CatalogServiceServer = (*Service)(nil)

// New returns the handlers.
func New(config Config) *Service {
	s := &Service{modules: config.Modules, folder: config.Folder, choices: config.Choices, log: config.Log, clock: config.Clock}
	if s.clock == nil {
		s.clock = time.Now
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	return s
}

// Register adds the service to a server.
func (s *Service) Register(server grpc.ServiceRegistrar) {
	catalogpb.RegisterCatalogServiceServer(server, s)
}

// ListModules implements catalogpb.CatalogServiceServer.
func (s *Service) ListModules(context.Context, *catalogpb.ListModulesRequest) (*catalogpb.ListModulesResponse, error) {
	answer := &catalogpb.ListModulesResponse{}
	for _, status := range s.modules.Status() {
		answer.Modules = append(answer.Modules, statusOf(status))
	}
	return answer, nil
}

func statusOf(m catalog.Status) *catalogpb.ModuleStatus {
	return &catalogpb.ModuleStatus{
		Module: identity(m.Module),
		State:  states[m.State], DefaultOfKind: m.Default, Restarts: int32(min(m.Restarts, 1<<30)),
		Reason: m.Reason, Since: timestamppb.New(m.Since), Summary: m.Description.GetSummary(), WrongAnswers: int32(min(m.Wrong, 1<<30)),
		RefusedToIt: m.Sandbox.Enforced, NotRefusedToIt: m.Sandbox.NotEnforced,
	}
}

var states = map[catalog.State]catalogpb.ModuleState{
	catalog.StateStarting:    catalogpb.ModuleState_MODULE_STATE_STARTING,
	catalog.StateRunning:     catalogpb.ModuleState_MODULE_STATE_RUNNING,
	catalog.StateBackoff:     catalogpb.ModuleState_MODULE_STATE_BACKOFF,
	catalog.StateQuarantined: catalogpb.ModuleState_MODULE_STATE_QUARANTINED,
	catalog.StateStopped:     catalogpb.ModuleState_MODULE_STATE_STOPPED,
}
