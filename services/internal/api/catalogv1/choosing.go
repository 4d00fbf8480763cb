package catalogv1

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk"
	catalogpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// ListBuilds implements catalogpb.CatalogServiceServer.
func (s *Service) ListBuilds(context.Context, *catalogpb.ListBuildsRequest) (*catalogpb.ListBuildsResponse, error) {
	// Damaged entries are doctor's and verify's to tell; whole ones are shown.
	builds, err := catalog.List(s.folder)
	if err != nil {
		s.log.Error("module store has damaged entries", "error", err)
	}
	serving := s.modules.Status()
	answer := &catalogpb.ListBuildsResponse{}
	for _, in := range builds {
		build := &catalogpb.Build{Module: identity(in.Module), Report: s.standing(in.Digest)}
		if at := slices.IndexFunc(serving, func(m catalog.Status) bool { return m.Digest == in.Digest }); at >= 0 {
			build.Active, build.DefaultOfKind = true, serving[at].Default
		}
		answer.Builds = append(answer.Builds, build)
	}
	return answer, nil
}

// GetBuildReport implements catalogpb.CatalogServiceServer.
func (s *Service) GetBuildReport(_ context.Context, request *catalogpb.GetBuildReportRequest) (*catalogpb.GetBuildReportResponse, error) {
	if _, err := s.build(request.GetDigest()); err != nil {
		return nil, err
	}
	report, err := catalog.ReportOf(s.folder, request.GetDigest())
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &catalogpb.GetBuildReportResponse{Standing: catalogpb.ReportStanding_REPORT_STANDING_NONE}, nil
	case err != nil:
		return nil, err
	}
	return &catalogpb.GetBuildReportResponse{Standing: standingOf(report), ReportJson: string(report.JSON)}, nil
}

func (s *Service) standing(digest string) catalogpb.ReportStanding {
	report, err := catalog.ReportOf(s.folder, digest)
	if err != nil { // one that can't be read lets nothing pass
		return catalogpb.ReportStanding_REPORT_STANDING_NONE
	}
	return standingOf(report)
}

func standingOf(report catalog.Report) catalogpb.ReportStanding {
	if report.Passed {
		return catalogpb.ReportStanding_REPORT_STANDING_PASSED
	}
	return catalogpb.ReportStanding_REPORT_STANDING_FAILED
}

func (s *Service) build(digest string) (catalog.Installed, error) {
	builds, err := catalog.List(s.folder)
	if at := slices.IndexFunc(builds, func(in catalog.Installed) bool { return in.Digest == digest }); at >= 0 {
		return builds[at], nil
	}
	if err != nil {
		s.log.Error("module store has damaged entries", "error", err)
	}
	return catalog.Installed{}, fmt.Errorf("build %.80s: %w", digest, trial.ErrNotFound)
}

// active finds an active module by its name.
func (s *Service) active(name string) (catalog.Status, error) {
	for _, m := range s.modules.Status() {
		if m.Name == name {
			return m, nil
		}
	}
	return catalog.Status{}, fmt.Errorf("module %.80s: %w", name, trial.ErrNotFound)
}

// ActivateModule implements catalogpb.CatalogServiceServer.
func (s *Service) ActivateModule(ctx context.Context, request *catalogpb.ActivateModuleRequest) (*catalogpb.ModuleStatus, error) {
	s.choosing.Lock()
	defer s.choosing.Unlock()
	in, err := s.build(request.GetDigest())
	if err != nil {
		return nil, err
	}
	return s.activate(ctx, in, request.GetMakeDefault(), "activated", request.GetReason())
}

// activate brings a build to serve and keeps that it was chosen, in this order: the build passes every step, the choice is kept, calls move.
func (s *Service) activate(ctx context.Context, in catalog.Installed, makeDefault bool, act, reason string) (*catalogpb.ModuleStatus, error) {
	if s.standing(in.Digest) != catalogpb.ReportStanding_REPORT_STANDING_PASSED {
		return nil, fmt.Errorf("%w: build %.12s of %s has no passing report of the conformance suite; see its report", trial.ErrConflict, in.Digest, in.Name)
	}
	present, err := s.active(in.Name)
	if err == nil && present.Digest == in.Digest && present.State == catalog.StateRunning && (present.Default || !makeDefault) {
		return statusOf(present), nil
	}
	choice := store.ModuleChoice{Name: in.Name, Kind: in.Kind, Digest: in.Digest, Default: makeDefault || present.Default}
	if choice.Default || s.noneOf(in.Kind) {
		choice.Default = true
		if err := coordinatorOnly(ctx, "this changes what answers for its kind"); err != nil {
			return nil, err
		}
	}
	if present.Name != "" && in.Kind == sdk.KindSafety {
		if err := coordinatorOnly(ctx, "it takes the place of rules that hold steps"); err != nil {
			return nil, err
		}
	}
	if choice.Previous, err = s.before(ctx, in, present); err != nil {
		return nil, err
	}
	if err := s.modules.Activate(ctx, in.Digest, func() error { return s.keep(ctx, choice, act, reason) }); err != nil {
		var fault *catalog.StartFault
		if errors.As(err, &fault) {
			return nil, fmt.Errorf("%w: %s %s does not pass: %w", trial.ErrConflict, in.Name, in.Version, fault)
		}
		return nil, err
	}
	if makeDefault {
		if err := s.modules.SetDefault(in.Name); err != nil {
			return nil, err
		}
	}
	return s.told(in.Name)
}

// before is the build that a choice replaces, so that one can go back to it.
func (s *Service) before(ctx context.Context, in catalog.Installed, present catalog.Status) (string, error) {
	choices, err := s.choices.ModuleChoices(ctx)
	if err != nil {
		return "", err
	}
	at := slices.IndexFunc(choices, func(c store.ModuleChoice) bool { return c.Name == in.Name })
	switch {
	case present.Digest != "" && present.Digest != in.Digest:
		return present.Digest, nil
	case at >= 0 && choices[at].Digest != in.Digest:
		return choices[at].Digest, nil // it was retired
	case at >= 0:
		return choices[at].Previous, nil
	}
	return "", nil
}

func (s *Service) noneOf(kind string) bool {
	return !slices.ContainsFunc(s.modules.Status(), func(m catalog.Status) bool { return m.Kind == kind })
}

func coordinatorOnly(ctx context.Context, why string) error {
	if caller, ok := access.CallerFrom(ctx); ok && caller.Has(access.Coordinator) {
		return nil
	}
	return fmt.Errorf("%w: %s, which needs the role coordinator", trial.ErrForbidden, why)
}

func (s *Service) keep(ctx context.Context, choice store.ModuleChoice, act, reason string) error {
	choice.At = s.clock()
	return s.choices.ChooseModule(ctx, access.ActorOf(ctx), choice, act, reason)
}

// SetDefaultModule implements catalogpb.CatalogServiceServer.
func (s *Service) SetDefaultModule(ctx context.Context, request *catalogpb.SetDefaultModuleRequest) (*catalogpb.ModuleStatus, error) {
	s.choosing.Lock()
	defer s.choosing.Unlock()
	m, err := s.active(request.GetName())
	if err != nil {
		return nil, err
	}
	if m.Default {
		return statusOf(m), nil
	}
	choice := store.ModuleChoice{Name: m.Name, Kind: m.Kind, Digest: m.Digest, Default: true}
	if choice.Previous, err = s.before(ctx, catalog.Installed{Module: m.Module}, m); err != nil {
		return nil, err
	}
	if err := s.keep(ctx, choice, "made default", request.GetReason()); err != nil {
		return nil, err
	}
	if err := s.modules.SetDefault(m.Name); err != nil {
		return nil, err
	}
	return s.told(m.Name)
}

// RetireModule implements catalogpb.CatalogServiceServer.
func (s *Service) RetireModule(ctx context.Context, request *catalogpb.RetireModuleRequest) (*catalogpb.RetireModuleResponse, error) {
	s.choosing.Lock()
	defer s.choosing.Unlock()
	m, err := s.active(request.GetName())
	if err != nil {
		return nil, err
	}
	switch {
	case m.Default:
		err = coordinatorOnly(ctx, "it answers for its kind")
	case m.Kind == sdk.KindSafety: // every one of them is asked, so that each that goes takes its stops along
		err = coordinatorOnly(ctx, "its rules hold steps")
	}
	if err != nil {
		return nil, err
	}
	choice := store.ModuleChoice{Name: m.Name, Kind: m.Kind, Digest: m.Digest, Retired: true}
	if choice.Previous, err = s.before(ctx, catalog.Installed{Module: m.Module}, m); err != nil {
		return nil, err
	}
	if m.Default {
		if err := s.keepHeir(ctx, m); err != nil {
			return nil, err
		}
	}
	if err := s.keep(ctx, choice, "retired", request.GetReason()); err != nil {
		return nil, err
	}
	if err := s.modules.Retire(m.Name); err != nil {
		return nil, err
	}
	return &catalogpb.RetireModuleResponse{}, nil
}

// keepHeir keeps which module answers for the kind of a default that retires, so that it is the same one when the core starts again.
func (s *Service) keepHeir(ctx context.Context, retires catalog.Status) error {
	serving := s.modules.Status()
	at := slices.IndexFunc(serving, func(m catalog.Status) bool { return m.Kind == retires.Kind && m.Name != retires.Name })
	if at < 0 || serving[at].Digest == "" {
		return nil // nobody, or one that isn't installed
	}
	heir := serving[at]
	choice := store.ModuleChoice{Name: heir.Name, Kind: heir.Kind, Digest: heir.Digest, Default: true}
	var err error
	if choice.Previous, err = s.before(ctx, catalog.Installed{Module: heir.Module}, heir); err != nil {
		return err
	}
	return s.keep(ctx, choice, "made default", "in place of "+retires.Name)
}

// RollBackModule implements catalogpb.CatalogServiceServer.
func (s *Service) RollBackModule(ctx context.Context, request *catalogpb.RollBackModuleRequest) (*catalogpb.ModuleStatus, error) {
	s.choosing.Lock()
	defer s.choosing.Unlock()
	choices, err := s.choices.ModuleChoices(ctx)
	if err != nil {
		return nil, err
	}
	at := slices.IndexFunc(choices, func(c store.ModuleChoice) bool { return c.Name == request.GetName() })
	previous := ""
	switch {
	case at < 0:
	case choices[at].Retired:
		previous = choices[at].Digest // what served before none did
	default:
		previous = choices[at].Previous
	}
	if previous == "" {
		if _, err := s.active(request.GetName()); err != nil && at < 0 {
			return nil, err
		}
		return nil, fmt.Errorf("%w: no build of %s served before the present one", trial.ErrConflict, request.GetName())
	}
	in, err := s.build(previous)
	if err != nil {
		return nil, err
	}
	return s.activate(ctx, in, false, "rolled back to", request.GetReason())
}

// liftPatience is how long LiftQuarantine waits for the start; what is longer goes on after the answer, which then says "starting".
const liftPatience = 10 * time.Second

// LiftQuarantine implements catalogpb.CatalogServiceServer. Other choices may be made while it waits; the answer is what became of the module by then.
func (s *Service) LiftQuarantine(ctx context.Context, request *catalogpb.LiftQuarantineRequest) (*catalogpb.ModuleStatus, error) {
	settled, err := s.lift(ctx, request)
	if err != nil {
		return nil, err
	}
	patience := time.NewTimer(liftPatience)
	defer patience.Stop()
	select {
	case <-settled:
	case <-patience.C:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return s.told(request.GetName())
}

// lift keeps that a quarantine was lifted and begins the start, of whose end it tells.
func (s *Service) lift(ctx context.Context, request *catalogpb.LiftQuarantineRequest) (settled <-chan struct{}, err error) {
	s.choosing.Lock()
	defer s.choosing.Unlock()
	m, err := s.active(request.GetName())
	if err != nil {
		return nil, err
	}
	if m.State != catalog.StateQuarantined {
		return nil, fmt.Errorf("%w: module %s is %s, not quarantined", trial.ErrConflict, m.Name, m.State)
	}
	if m.Digest != "" {
		choice := store.ModuleChoice{Name: m.Name, Kind: m.Kind, Digest: m.Digest, Default: m.Default}
		if choice.Previous, err = s.before(ctx, catalog.Installed{Module: m.Module}, m); err != nil {
			return nil, err
		}
		if err := s.keep(ctx, choice, "lifted from quarantine", request.GetReason()); err != nil {
			return nil, err
		}
	}
	if settled, err = s.modules.Revive(m.Name); err != nil {
		return nil, fmt.Errorf("%w: %w", trial.ErrConflict, err)
	}
	return settled, nil
}

func (s *Service) told(name string) (*catalogpb.ModuleStatus, error) {
	m, err := s.active(name)
	if err != nil {
		return nil, err
	}
	return statusOf(m), nil
}

func identity(m catalog.Module) *typesv1.ModuleIdentity {
	return &typesv1.ModuleIdentity{Name: m.Name, Version: m.Version, Digest: m.Digest, Kind: m.Kind}
}
