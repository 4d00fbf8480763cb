package connect

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// repeated are the calls that may be made twice, and are made again when a connection is refused or breaks, or when the core says to come again: those that only
// ask, those that carry a request id (without which the core refuses them), and those by which the same request twice does no more than once. Of a service without
// methods it is all of them.
var repeated = map[string][]string{
	"commonvat.lab.v1.TrialService":      nil,
	"commonvat.lab.v1.BathService":       nil,
	"commonvat.lab.v1.WaterService":      nil,
	"commonvat.lab.v1.ExperimentService": nil,
	"commonvat.lab.v1.ImportService":     nil,
	"commonvat.lab.v1.HistoryService":    nil,
	"commonvat.pool.v1.PoolService":      nil,
	"commonvat.catalog.v1.PackService":   nil,
	"commonvat.access.v1.AuditService":   nil,
	"commonvat.access.v1.AccessService":  {"GetCurrentMember", "ListMembers", "ListTokens"},
	"commonvat.bench.v1.BenchService": {"PlanTrial", "ScaleBath", "SelectMordant", "InspectPlan", "GetSheet", "RescaleTrial", "ListSheets",
		"InspectSheetsAgain", "GetWorkshop"},
	"commonvat.catalog.v1.CatalogService": {"ListModules", "ListBuilds", "GetBuildReport", "ActivateModule", "SetDefaultModule"},
	"commonvat.catalog.v1.RunService":     {"CreateRun", "GetRun", "ListRuns", "GetRunScores", "CompareRuns"},
}

// repeatable tells whether a call may be made twice. method is a full name, as gRPC has it: "/commonvat.lab.v1.TrialService/GetTrial".
func repeatable(method string) bool {
	service, name, _ := strings.Cut(strings.TrimPrefix(method, "/"), "/")
	methods, there := repeated[service]
	return there && (len(methods) == 0 || slices.Contains(methods, name))
}

// retries is the configuration of the connection that says so.
func retries() string {
	type name struct {
		Service string `json:"service"`
		Method  string `json:"method,omitempty"`
	}
	var names []name
	for _, service := range slices.Sorted(maps.Keys(repeated)) {
		if len(repeated[service]) == 0 {
			names = append(names, name{Service: service})
		}
		for _, method := range repeated[service] {
			names = append(names, name{service, method})
		}
	}
	text, err := json.Marshal(map[string]any{"methodConfig": []any{map[string]any{"name": names, "retryPolicy": map[string]any{
		"maxAttempts": 4, "initialBackoff": "0.1s", "maxBackoff": "2s", "backoffMultiplier": 3, "retryableStatusCodes": []string{"UNAVAILABLE"},
	}}}})
	if err != nil {
		panic(fmt.Sprintf("retries: %v", err)) // strings and numbers can't fail
	}
	return string(text)
}
