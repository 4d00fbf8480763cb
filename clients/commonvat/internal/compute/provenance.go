package compute

import (
	"context"
	"strings"
	"time"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"google.golang.org/grpc"
)

// provenanceColumns are the last ones of every table that is written: who computed a row, and what it was asked for besides the row itself, so that the
// answer can be had again. They are empty in a row that no module was asked about.
var provenanceColumns = []string{"module", "module_version", "settings"}

// provenance is by what a row was computed.
type provenance struct{ module, version, settings string }

// computedBy asks a module for its name and version. Settings are words and values such as "seed 7".
func computedBy(ctx context.Context, module grpc.ClientConnInterface, limit time.Duration, settings ...string) (provenance, error) {
	d, err := within(ctx, limit, func(ctx context.Context) (*describev1.DescribeResponse, error) {
		return describev1.NewDescribeServiceClient(module).Describe(ctx, &describev1.DescribeRequest{})
	})
	if err != nil {
		return provenance{}, err
	}
	return provenance{output.Harmless(d.GetName()), output.Harmless(d.GetVersion()), output.Harmless(strings.Join(settings, "; "))}, nil
}

// cells are those of provenanceColumns.
func (p provenance) cells() []string { return []string{p.module, p.version, p.settings} }
