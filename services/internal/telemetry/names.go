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
