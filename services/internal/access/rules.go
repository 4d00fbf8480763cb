package access

import (
	"fmt"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// Rule says who may call a method. The zero value lets nobody.
type Rule struct {
	// Anyone, also without a token.
	Anyone bool
	// AnyMember: every authenticated caller, whatever their roles.
	AnyMember bool
	// Roles: callers with one of these.
	Roles []Role
}

var (
	anyone       = Rule{Anyone: true}
	anyMember    = Rule{AnyMember: true}
	stewards     = Rule{Roles: []Role{Steward}}
	coordinators = Rule{Roles: []Role{Coordinator}}
	catalogers   = Rule{Roles: []Role{Researcher, Coordinator, Steward}}
	choosers     = Rule{Roles: []Role{Researcher, Coordinator}}
)

// Rules is the table of who may call what, by full registered name. A method that
// isn't in it is refused. What a member may do with a record of theirs or another's is decided beside the
// record, not here.
var Rules = map[string]Rule{
	"/commonvat.lab.v1.TrialService/SubmitTrial":   anyMember,
	"/commonvat.lab.v1.TrialService/GetTrial":      anyMember,
	"/commonvat.lab.v1.TrialService/ListTrials":    anyMember,
	"/commonvat.lab.v1.TrialService/AddEntries":    anyMember,
	"/commonvat.lab.v1.TrialService/SetTrialState": anyMember,
	"/commonvat.lab.v1.TrialService/ShareTrial":    anyMember,
	"/commonvat.lab.v1.TrialService/UpdateTrial":   anyMember,
	"/commonvat.lab.v1.TrialService/DeleteTrial":   anyMember,
	"/commonvat.lab.v1.TrialService/UndeleteTrial": anyMember,
	"/commonvat.lab.v1.TrialService/GetPiece":      anyMember,
	"/commonvat.lab.v1.TrialService/PostPiece":     anyMember,
	"/commonvat.lab.v1.TrialService/WatchChanges":  anyMember,

	"/commonvat.lab.v1.BathService/CreateBath":   anyMember,
	"/commonvat.lab.v1.BathService/GetBath":      anyMember,
	"/commonvat.lab.v1.BathService/ListBaths":    anyMember,
	"/commonvat.lab.v1.BathService/AddToBath":    anyMember,
	"/commonvat.lab.v1.BathService/UpdateBath":   anyMember,
	"/commonvat.lab.v1.BathService/DeleteBath":   anyMember,
	"/commonvat.lab.v1.BathService/UndeleteBath": anyMember,

	"/commonvat.lab.v1.WaterService/CreateWaterSource":   anyMember,
	"/commonvat.lab.v1.WaterService/ListWaterSources":    anyMember,
	"/commonvat.lab.v1.WaterService/GetWaterSource":      anyMember,
	"/commonvat.lab.v1.WaterService/AddWaterSample":      anyMember,
	"/commonvat.lab.v1.WaterService/UpdateWaterSource":   anyMember,
	"/commonvat.lab.v1.WaterService/DeleteWaterSource":   anyMember,
	"/commonvat.lab.v1.WaterService/UndeleteWaterSource": anyMember,

	// Of those that change an experiment, all but the first are for whoever set it; the domain sees to it.
	"/commonvat.lab.v1.ExperimentService/CreateExperiment":   coordinators,
	"/commonvat.lab.v1.ExperimentService/UpdateExperiment":   coordinators,
	"/commonvat.lab.v1.ExperimentService/DeleteExperiment":   coordinators,
	"/commonvat.lab.v1.ExperimentService/UndeleteExperiment": coordinators,
	"/commonvat.lab.v1.ExperimentService/GetExperiment":      anyMember,
	"/commonvat.lab.v1.ExperimentService/ListExperiments":    anyMember,

	// What isn't the caller's to read is told like what isn't there.
	"/commonvat.lab.v1.HistoryService/ListVersions": anyMember,
	"/commonvat.lab.v1.HistoryService/GetVersion":   anyMember,

	"/commonvat.lab.v1.ImportService/ImportReadings": anyMember,

	"/commonvat.pool.v1.PoolService/AskPalette":     anyMember,
	"/commonvat.pool.v1.PoolService/ComparePieces":  anyMember,
	"/commonvat.pool.v1.PoolService/PredictOverdye": anyMember,
	"/commonvat.pool.v1.PoolService/GetPoolStatus":  anyMember,

	// Sheets and workshops are the caller's own alone.
	"/commonvat.bench.v1.BenchService/PlanTrial":          anyMember,
	"/commonvat.bench.v1.BenchService/ScaleBath":          anyMember,
	"/commonvat.bench.v1.BenchService/SelectMordant":      anyMember,
	"/commonvat.bench.v1.BenchService/InspectPlan":        anyMember,
	"/commonvat.bench.v1.BenchService/GetSheet":           anyMember,
	"/commonvat.bench.v1.BenchService/ListSheets":         anyMember,
	"/commonvat.bench.v1.BenchService/InspectSheetsAgain": anyMember,
	"/commonvat.bench.v1.BenchService/OverrideStop":       anyMember,
	"/commonvat.bench.v1.BenchService/RescaleTrial":       anyMember,
	"/commonvat.bench.v1.BenchService/DeleteSheet":        anyMember,
	"/commonvat.bench.v1.BenchService/UndeleteSheet":      anyMember,
	"/commonvat.bench.v1.BenchService/GetWorkshop":        anyMember,
	"/commonvat.bench.v1.BenchService/UpdateWorkshop":     anyMember,

	"/commonvat.catalog.v1.CatalogService/ListModules":    catalogers,
	"/commonvat.catalog.v1.CatalogService/ListBuilds":     catalogers,
	"/commonvat.catalog.v1.CatalogService/GetBuildReport": catalogers,
	// What touches a kind's default is the coordinators'; the handlers see to it.
	"/commonvat.catalog.v1.CatalogService/ActivateModule":   choosers,
	"/commonvat.catalog.v1.CatalogService/RetireModule":     choosers,
	"/commonvat.catalog.v1.CatalogService/RollBackModule":   choosers,
	"/commonvat.catalog.v1.CatalogService/SetDefaultModule": coordinators,
	"/commonvat.catalog.v1.CatalogService/LiftQuarantine":   stewards,

	// By which rules a plan is judged is everybody's to know.
	"/commonvat.catalog.v1.PackService/ListPacks":    anyMember,
	"/commonvat.catalog.v1.PackService/GetPack":      anyMember,
	"/commonvat.catalog.v1.PackService/AddPack":      coordinators,
	"/commonvat.catalog.v1.PackService/ActivatePack": coordinators,
	"/commonvat.catalog.v1.PackService/RetirePack":   coordinators,
	// Others' runs are a coordinator's to change; the runs themselves see to it.
	"/commonvat.catalog.v1.RunService/CreateRun":    choosers,
	"/commonvat.catalog.v1.RunService/GetRun":       choosers,
	"/commonvat.catalog.v1.RunService/ListRuns":     choosers,
	"/commonvat.catalog.v1.RunService/CancelRun":    choosers,
	"/commonvat.catalog.v1.RunService/ResumeRun":    choosers,
	"/commonvat.catalog.v1.RunService/GetRunScores": choosers,
	"/commonvat.catalog.v1.RunService/CompareRuns":  choosers,
	"/commonvat.catalog.v1.RunService/DeleteRun":    choosers,
	"/commonvat.catalog.v1.RunService/ExportPool":   choosers,

	"/commonvat.access.v1.AccessService/GetCurrentMember": anyMember,
	"/commonvat.access.v1.AccessService/ListMembers":      anyMember,
	"/commonvat.access.v1.AccessService/CreateMember":     stewards,
	"/commonvat.access.v1.AccessService/IssueToken":       stewards,
	// Members may read and revoke their own; the handlers see to it.
	"/commonvat.access.v1.AccessService/ListTokens":  anyMember,
	"/commonvat.access.v1.AccessService/RevokeToken": anyMember,

	// Members may read of what they did themselves, stewards of everything; the handler sees to it.
	"/commonvat.access.v1.AuditService/ListAuditEntries": anyMember,

	// Probes have no token.
	"/grpc.health.v1.Health/Check": anyone,
	"/grpc.health.v1.Health/List":  anyone,
	"/grpc.health.v1.Health/Watch": anyone,

	"/grpc.reflection.v1.ServerReflection/ServerReflectionInfo":      anyMember,
	"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo": anyMember,
}

// NeedsToken reports whether a method is refused to a caller without a token. Unknown methods need one.
func NeedsToken(fullMethod string) bool { return !Rules[fullMethod].Anyone }

// MayCall decides whether the caller may call a method. Errors: ErrUnauthenticated; trial.ErrForbidden.
func MayCall(caller Caller, fullMethod string) error {
	rule := Rules[fullMethod]
	switch {
	case rule.Anyone:
		return nil
	case caller.ID == "":
		return ErrUnauthenticated
	case rule.AnyMember || caller.Has(rule.Roles...):
		return nil
	case len(rule.Roles) == 0:
		return fmt.Errorf("%w: nobody may call this method", trial.ErrForbidden)
	default:
		return fmt.Errorf("%w: this needs the role %s", trial.ErrForbidden, oneOf(rule.Roles))
	}
}

func oneOf(roles []Role) string {
	text := ""
	for i, role := range roles {
		if i > 0 {
			text += " or "
		}
		text += string(role)
	}
	return text
}

// HasRule reports whether the table names a method.
func HasRule(fullMethod string) bool {
	_, ok := Rules[fullMethod]
	return ok
}
