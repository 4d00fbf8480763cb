package limits

import "strings"

// Class is a kind of method, by what its calls cost the core.
type Class uint8

// The classes. Exempt methods have no limit: a probe has to be answered when nothing else is.
const (
	Exempt Class = iota
	Read
	Write
	Import
	Question
	Watch
	Steward
	classes // how many there are
)

var classNames = [classes]string{Exempt: "exempt", Read: "read", Write: "write", Import: "import", Question: "question", Watch: "watch", Steward: "steward"}

// String is the class's name, as in a setting and in a refusal.
func (c Class) String() string {
	if c < classes {
		return classNames[c]
	}
	return "unknown"
}

// Strictest is the class of a method that isn't in the table.
const Strictest = Steward

// byMethod is the table of what each method costs, by full registered name. It stands beside the table of who may call it,
// access.Rules; a test walks the registered methods through both.
var byMethod = map[string]Class{}

func init() {
	for class, services := range map[Class]map[string]string{
		Read: {
			"/commonvat.lab.v1.TrialService/":       "GetTrial ListTrials GetPiece",
			"/commonvat.lab.v1.BathService/":        "GetBath ListBaths",
			"/commonvat.lab.v1.WaterService/":       "GetWaterSource ListWaterSources",
			"/commonvat.lab.v1.ExperimentService/":  "GetExperiment ListExperiments",
			"/commonvat.lab.v1.HistoryService/":     "ListVersions GetVersion",
			"/commonvat.pool.v1.PoolService/":       "GetPoolStatus",
			"/commonvat.bench.v1.BenchService/":     "GetSheet ListSheets GetWorkshop",
			"/commonvat.catalog.v1.CatalogService/": "ListModules ListBuilds GetBuildReport",
			"/commonvat.catalog.v1.PackService/":    "ListPacks GetPack",
			"/commonvat.catalog.v1.RunService/":     "GetRun ListRuns GetRunScores",
			"/commonvat.access.v1.AccessService/":   "GetCurrentMember ListMembers ListTokens",
		},
		Write: {
			"/commonvat.lab.v1.TrialService/":      "SubmitTrial AddEntries SetTrialState ShareTrial UpdateTrial DeleteTrial UndeleteTrial PostPiece",
			"/commonvat.lab.v1.BathService/":       "CreateBath AddToBath UpdateBath DeleteBath UndeleteBath",
			"/commonvat.lab.v1.WaterService/":      "CreateWaterSource AddWaterSample UpdateWaterSource DeleteWaterSource UndeleteWaterSource",
			"/commonvat.lab.v1.ExperimentService/": "CreateExperiment UpdateExperiment DeleteExperiment UndeleteExperiment",
			"/commonvat.bench.v1.BenchService/":    "UpdateWorkshop DeleteSheet UndeleteSheet",
			"/commonvat.catalog.v1.RunService/":    "CreateRun CancelRun ResumeRun DeleteRun",
		},
		// Each asks several modules, or many times.
		Question: {
			"/commonvat.pool.v1.PoolService/":   "AskPalette ComparePieces PredictOverdye",
			"/commonvat.bench.v1.BenchService/": "PlanTrial ScaleBath SelectMordant InspectPlan InspectSheetsAgain OverrideStop RescaleTrial",
			"/commonvat.catalog.v1.RunService/": "CompareRuns ExportPool",
		},
		Import: {"/commonvat.lab.v1.ImportService/": "ImportReadings"},
		Watch: {
			"/commonvat.lab.v1.TrialService/":            "WatchChanges",
			"/grpc.reflection.v1.ServerReflection/":      "ServerReflectionInfo",
			"/grpc.reflection.v1alpha.ServerReflection/": "ServerReflectionInfo",
		},
		Steward: {
			"/commonvat.access.v1.AccessService/": "CreateMember IssueToken RevokeToken",
			"/commonvat.access.v1.AuditService/":  "ListAuditEntries",
			// Each may start a process.
			"/commonvat.catalog.v1.CatalogService/": "ActivateModule SetDefaultModule RetireModule RollBackModule LiftQuarantine",
			"/commonvat.catalog.v1.PackService/":    "AddPack ActivatePack RetirePack",
		},
		Exempt: {"/grpc.health.v1.Health/": "Check List Watch"},
	} {
		for service, methods := range services {
			for method := range strings.FieldsSeq(methods) {
				byMethod[service+method] = class
			}
		}
	}
}

// ClassOf gives a method's class by its full registered name, and whether the table names it; of an unknown method the class is the strictest.
func ClassOf(fullMethod string) (class Class, named bool) {
	if class, ok := byMethod[fullMethod]; ok {
		return class, true
	}
	return Strictest, false
}
