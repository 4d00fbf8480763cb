package hostile

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// A list of long elements isn't made five thousand times as long: whoever sends the message has it in memory several times over.
func TestLongElementsAreNotRepeatedForEver(t *testing.T) {
	made, longest := New(1, 1, Known{}), 0
	for range 2000 {
		trial := &labpb.SubmitTrialRequest{Baths: []*labpb.Bath{{Id: strings.Repeat("x", 100_000)}}}
		made.mutateList(site{trial.ProtoReflect(), trial.ProtoReflect().Descriptor().Fields().ByName("baths")})
		longest = max(longest, proto.Size(trial))
	}
	assert.Greater(t, longest, 8<<20, "beyond what a server takes")
	assert.Less(t, longest, 32<<20)
}
