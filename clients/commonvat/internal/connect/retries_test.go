package connect

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	_ "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	_ "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	_ "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	_ "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
)

// once are the calls that are never made again, with the reason.
var once = map[string]string{
	"access.v1.AccessService/CreateMember":     "the second is told that the member is there",
	"access.v1.AccessService/IssueToken":       "each makes a token",
	"access.v1.AccessService/RevokeToken":      "whoever revokes wants to see the answer",
	"bench.v1.BenchService/OverrideStop":       "the second has an etag that is past",
	"bench.v1.BenchService/DeleteSheet":        "the second is told that the sheet is deleted",
	"bench.v1.BenchService/UndeleteSheet":      "the second is told that the sheet isn't deleted",
	"bench.v1.BenchService/UpdateWorkshop":     "the second has an etag that is past",
	"catalog.v1.CatalogService/LiftQuarantine": "the second is told that there is none",
	"catalog.v1.CatalogService/RetireModule":   "the second finds none",
	"catalog.v1.CatalogService/RollBackModule": "the second goes back from where the first went",
	"catalog.v1.RunService/CancelRun":          "the second is told that the run has ended",
	"catalog.v1.RunService/ResumeRun":          "the second is told that the run is under way",
	"catalog.v1.RunService/DeleteRun":          "the second finds none",
	"catalog.v1.RunService/ExportPool":         "each is an export of its own in the audit trail",
}

// Every call of the interface is either made again or has its reason not to be; of services that are repeated whole, a call that writes carries
// a request id, or is one of those that are done once however often they are asked for.
func TestEveryCallIsRepeatedOrExcused(t *testing.T) {
	twice := map[string]bool{
		"WatchChanges": true, "ImportReadings": true, // it asks; its rows have keys
		"AddPack": true, "ActivatePack": true, "RetirePack": true, // the same content, the same choice
	}
	excused := 0
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(file.Package()), "commonvat.") || strings.HasPrefix(string(file.Package()), "commonvat.module.") {
			return true
		}
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			methods, there := repeated[string(service.FullName())]
			assert.True(t, there, "%s is in no list", service.FullName())
			for j := range service.Methods().Len() {
				method := service.Methods().Get(j)
				name := strings.TrimPrefix(string(service.FullName()), "commonvat.") + "/" + string(method.Name())
				again := repeatable("/" + string(service.FullName()) + "/" + string(method.Name()))
				assert.NotEqual(t, again, once[name] != "", "%s is either repeated or has a reason", name)
				if !again {
					excused++
					continue
				}
				carries := method.Input().Fields().ByName("request_id") != nil
				asks := strings.HasPrefix(string(method.Name()), "Get") || strings.HasPrefix(string(method.Name()), "List")
				if len(methods) == 0 && !carries && !asks && !twice[string(method.Name())] {
					assert.Contains(t, []string{"AskPalette", "ComparePieces", "PredictOverdye"}, string(method.Name()), "%s may do something twice", name)
				}
			}
		}
		return true
	})
	assert.Len(t, once, excused)
}
