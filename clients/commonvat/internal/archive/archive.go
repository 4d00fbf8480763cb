// Package archive takes everything that is a member's out of a core into a folder of plain files, and puts such a folder into
// another core as the caller's own. The JSON Lines in the folder are whole and are what is restored; the tables beside them
// are for spreadsheets.
package archive

import (
	"context"
	"time"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	benchv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Format is the version of the folder's form that this program writes and reads.
const Format = 1

// The files of a folder that are restored from, or that keep what can't be restored.
const (
	manifestFile    = "manifest.json"
	trialsFile      = "trials.jsonl"
	bathsFile       = "baths.jsonl"
	watersFile      = "waters.jsonl"
	experimentsFile = "experiments.jsonl"
	benchFile       = "bench_sheets.jsonl"
	workshopFile    = "workshop.jsonl"
	versionsFile    = "versions.jsonl"
	tokensFile      = "tokens.jsonl" //nolint:gosec // the name of a file, no secret
	auditFile       = "audit.jsonl"
	readmeFile      = "README.txt"
	tables          = "csv/"
)

// Manifest says what is in a folder.
type Manifest struct {
	Format int    `json:"format"`
	Member string `json:"member"` // whose it is, by member id
	// MadeTime is when it was made, by the clock of the computer that made it: the interface has no question for the core's.
	MadeTime time.Time `json:"made_time"`
	// LastChangeTime is when the newest of the records last changed, by the core's clock; absent without records.
	LastChangeTime *time.Time     `json:"last_change_time,omitempty"`
	Counts         map[string]int `json:"counts"` // by file name without ending
	// NotReadable are records of others that own records name and that the member may not read.
	NotReadable []string `json:"not_readable,omitempty"`
	Files       []File   `json:"files"`
}

// File is one file of a folder.
type File struct {
	Path    string `json:"path"` // with slashes, below the folder
	Bytes   int64  `json:"bytes"`
	Records int    `json:"records"`
	SHA256  string `json:"sha256"` // lower-case hexadecimal
}

// Core is what is asked of a core, in the name of one member.
type Core struct {
	Trials      labv1.TrialServiceClient
	Baths       labv1.BathServiceClient
	Waters      labv1.WaterServiceClient
	Experiments labv1.ExperimentServiceClient
	History     labv1.HistoryServiceClient
	Bench       benchv1.BenchServiceClient
	Access      accessv1.AccessServiceClient
	Audit       accessv1.AuditServiceClient
	Timeout     time.Duration // longest wait for one answer
}

// New asks over a connection.
func New(conn grpc.ClientConnInterface, timeout time.Duration) *Core {
	return &Core{
		Trials: labv1.NewTrialServiceClient(conn), Baths: labv1.NewBathServiceClient(conn), Waters: labv1.NewWaterServiceClient(conn),
		Experiments: labv1.NewExperimentServiceClient(conn), History: labv1.NewHistoryServiceClient(conn),
		Bench:  benchv1.NewBenchServiceClient(conn),
		Access: accessv1.NewAccessServiceClient(conn), Audit: accessv1.NewAuditServiceClient(conn), Timeout: timeout,
	}
}

// ask runs one call with the deadline.
func ask[Q, R any](ctx context.Context, c *Core, rpc func(context.Context, Q, ...grpc.CallOption) (R, error), request Q) (R, error) {
	ctx, cancel := context.WithTimeout(ctx, c.Timeout)
	defer cancel()
	return rpc(ctx, request)
}

// hasUnknown tells whether a message holds fields that this program doesn't know, which would be lost in JSON.
func hasUnknown(m protoreflect.Message) bool {
	if len(m.GetUnknown()) > 0 {
		return true
	}
	found := false
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case f.Message() == nil || f.IsMap():
		case f.IsList():
			for i := 0; i < v.List().Len() && !found; i++ {
				found = hasUnknown(v.List().Get(i).Message())
			}
		default:
			found = hasUnknown(v.Message())
		}
		return !found
	})
	return found
}

// theCores are the fields that a core sets itself and ignores in requests.
var theCores = map[protoreflect.Name]bool{
	"owner": true, "trial_id": true, "code": true, "holder": true, "ended": true, "route": true, "corrections": true, "last_position": true,
	"superseded": true, "record_time": true, "recorded_by": true, "revision": true, "etag": true, "create_time": true, "update_time": true,
	"delete_time": true, "import_source": true, "warnings": true, "since": true, "mass_before": true, "label_before": true, "fibre_before": true,
	"told_time": true, "uses": true,
}

// given is a copy of a record with what a member gave, and without what a core said of it.
func given[M proto.Message](m M) M {
	kept, ok := proto.Clone(m).(M)
	if !ok {
		return m // a clone has the type of what was cloned
	}
	strip(kept.ProtoReflect())
	return kept
}

func strip(m protoreflect.Message) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case theCores[f.Name()]:
			m.Clear(f)
		case f.Message() == nil || f.IsMap():
		case f.IsList():
			for i := range v.List().Len() {
				strip(v.List().Get(i).Message())
			}
		default:
			strip(v.Message())
		}
		return true
	})
}
