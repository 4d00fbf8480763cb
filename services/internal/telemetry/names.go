package telemetry

// The names of spans. They are few and never carry an id; ids go into attributes.
const (
	// SpanChange is a change from its way into the writer's queue until it is on disk.
	SpanChange = "store.change"
)

// The names of span attributes of ours.
const (
	AttributeModule        = "commonvat.module.name"
	AttributeModuleVersion = "commonvat.module.version"
	AttributeModuleKind    = "commonvat.module.kind"
	AttributeReplayed      = "commonvat.replayed"
)

// The names of metrics, as OpenTelemetry has them. deploy/METRICS.md says what each means, what it is called when it is
// pulled, and what to be alarmed by. Those that don't begin with "commonvat." are of the OpenTelemetry semantic conventions.
const (
	MetricServerCallDuration = "rpc.server.call.duration"
	MetricRefusals           = "commonvat.refusals"
	MetricUnauthenticated    = "commonvat.unauthenticated"
	MetricRateRefusals       = "commonvat.rate.refusals"

	MetricModuleCallDuration = "commonvat.module.call.duration"
	MetricModuleCallsActive  = "commonvat.module.calls.active"
	MetricModuleRestarts     = "commonvat.module.restarts"
	MetricModuleWrong        = "commonvat.module.wrong_answers"
	MetricModuleState        = "commonvat.module.state"

	MetricRunsEnded = "commonvat.runs.ended"
	MetricRunsRows  = "commonvat.runs.rows"

	MetricStoreQueue              = "commonvat.store.queue"
	MetricStoreCommitDuration     = "commonvat.store.commit.duration"
	MetricStoreCommitChanges      = "commonvat.store.commit.changes"
	MetricStoreBusy               = "commonvat.store.busy"
	MetricStoreLogSize            = "commonvat.store.wal.size"
	MetricStoreCheckpointFailures = "commonvat.store.checkpoint.failures"
	MetricStoreReplays            = "commonvat.store.replays"
	MetricStoreGroupsLost         = "commonvat.store.groups.lost"
	MetricStoreDamaged            = "commonvat.store.damaged"
	MetricStoreSchema             = "commonvat.store.schema"
	MetricBackupAge               = "commonvat.backup.age"

	MetricPoolLag  = "commonvat.pool.lag"
	MetricPoolRows = "commonvat.pool.rows"

	MetricBuild      = "commonvat.build"
	MetricUptime     = "process.uptime"
	MetricGoroutines = "go.goroutine.count"
	MetricMemory     = "go.memory.used"
)

// The units of metrics, by the Unified Code for Units of Measure; what stands in braces is counted.
const (
	unitSeconds   = "s"
	unitBytes     = "By"
	unitCall      = "{call}"
	unitRestart   = "{restart}"
	unitAnswer    = "{answer}"
	unitModule    = "{module}"
	unitChange    = "{change}"
	unitError     = "{error}"
	unitAttempt   = "{checkpoint}"
	unitRequest   = "{request}"
	unitGroup     = "{group}"
	unitStore     = "{store}"
	unitVersion   = "{version}"
	unitRevision  = "{revision}"
	unitRow       = "{row}"
	unitBuild     = "{build}"
	unitGoroutine = "{goroutine}"
	unitRun       = "{run}"
)

// The names of the attributes of metrics. Each has few values, all known beforehand or bounded by what is installed: never an
// id of a member or a record, never a token, a path or an address.
const (
	LabelRPCSystem = "rpc.system.name"          // "grpc"
	LabelRPCMethod = "rpc.method"               // package.Service/Method, of the core's interface or a module's
	LabelRPCStatus = "rpc.response.status_code" // a gRPC code
	LabelErrorType = "error.type"               // a gRPC code, of calls that failed through the core

	LabelReason        = "commonvat.reason"         // of the table of faults; see services/internal/api
	LabelModule        = "commonvat.module.name"    // of an installed module
	LabelModuleVersion = "commonvat.module.version" // likewise
	LabelModuleKind    = "commonvat.module.kind"    // of sdk.Kinds
	LabelModuleState   = "commonvat.module.state"   // of ModuleStates
	LabelOutcome       = "commonvat.outcome"        // of Outcomes
	LabelRunState      = "commonvat.run.state"      // of RunEnds
	LabelVersion       = "commonvat.version"        // of this program
	LabelMemoryType    = "go.memory.type"           // "stack" or "other"
)

// LabelOther stands for values beyond the most that a label may have.
const LabelOther = "OTHER"

// How a call to a module can end.
const (
	OutcomeOK      = "ok"
	OutcomeRefused = "refused"  // by the module, which says what is wrong with the request
	OutcomeOverrun = "overrun"  // it took longer than the core allows
	OutcomeGivenUp = "given_up" // the caller went away, or its own deadline passed
	OutcomeEnded   = "ended"    // the module's process ended, or couldn't be reached
	OutcomeFailed  = "failed"   // anything else that the module answered
)

// ModuleStates are the states of an active module; the words are those of package catalog.
func ModuleStates() []string {
	return []string{"starting", "running", "backoff", "quarantined", "stopped"}
}

// RunEnds are the states in which a run of scoring can end; the words are those of the interface.
func RunEnds() []string { return []string{"done", "cancelled", "interrupted", "failed"} }

// An Instrument is what is said of a metric beforehand.
type Instrument struct {
	Name   string
	Unit   string
	Text   string
	Labels []string // all that it may have
}

var moduleLabels = []string{LabelModule, LabelModuleVersion, LabelModuleKind}

// Instruments are all metrics of the core, those that nothing else is exported beside.
func Instruments() []Instrument {
	return []Instrument{
		{MetricServerCallDuration, unitSeconds, "How long calls took.", []string{LabelRPCSystem, LabelRPCMethod, LabelRPCStatus, LabelErrorType}},
		{MetricRefusals, unitCall, "Calls that ended with a fault, by its reason.", []string{LabelReason}},
		{MetricUnauthenticated, unitCall, "Calls without a valid token.", nil},
		{MetricRateRefusals, unitCall, "Calls refused because there were too many.", nil},
		{MetricModuleCallDuration, unitSeconds, "How long calls to modules took.", append([]string{LabelRPCMethod, LabelOutcome}, moduleLabels...)},
		{MetricModuleCallsActive, unitCall, "Calls to modules that are under way.", moduleLabels},
		{MetricModuleRestarts, unitRestart, "Starts of modules after the first.", moduleLabels},
		{MetricModuleWrong, unitAnswer, "Answers of modules that couldn't be answers.", moduleLabels},
		{MetricModuleState, unitModule, "1 for the state that a module is in, 0 for the others.", append([]string{LabelModuleState}, moduleLabels...)},
		{MetricRunsEnded, unitRun, "Runs of scoring that ended, by how.", []string{LabelRunState}},
		{MetricRunsRows, unitRow, "Rows that runs have scored.", nil},
		{MetricStoreQueue, unitChange, "Changes that wait for the writer.", nil},
		{MetricStoreCommitDuration, unitSeconds, "How long transactions of the writer took.", nil},
		{MetricStoreCommitChanges, unitChange, "Changes that shared a transaction.", nil},
		{MetricStoreBusy, unitError, "Statements that found the database locked.", nil},
		{MetricStoreLogSize, unitBytes, "Size of the write-ahead log.", nil},
		{MetricStoreCheckpointFailures, unitAttempt, "Checkpoints that did not carry the whole log over.", nil},
		{MetricStoreReplays, unitRequest, "Requests sent again that got their first answer.", nil},
		{MetricStoreGroupsLost, unitGroup, "Transactions that failed as a whole, whose changes were then tried each by itself.", nil},
		{MetricStoreDamaged, unitStore, "1 when the store's file was found damaged and changes are refused, else 0.", nil},
		{MetricStoreSchema, unitVersion, "Version of the store's schema.", nil},
		{MetricBackupAge, unitSeconds, "Time since the last backup.", nil},
		{MetricPoolLag, unitRevision, "Revisions of the record that the pool has not taken in.", nil},
		{MetricPoolRows, unitRow, "Rows of the pool.", nil},
		{MetricBuild, unitBuild, "1, with the version of this program.", []string{LabelVersion}},
		{MetricUptime, unitSeconds, "Time since the core started.", nil},
		{MetricGoroutines, unitGoroutine, "Goroutines that are there.", nil},
		{MetricMemory, unitBytes, "Memory that the Go runtime uses.", []string{LabelMemoryType}},
	}
}

// The names of log fields. A token, a member's text or a colour is never logged.
const (
	FieldMethod    = "method"
	FieldCode      = "code"
	FieldReason    = "reason"
	FieldMember    = "member"
	FieldRequestID = "request_id"
	FieldTraceID   = "trace_id"
	FieldSpanID    = "span_id"
	FieldDuration  = "duration_us"
	FieldError     = "error"
	FieldStack     = "stack"
	FieldListen    = "listen"
	FieldPlaintext = "plaintext"
	FieldVersion   = "version"
)
