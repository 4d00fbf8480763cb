package compare

import (
	"strings"
	"testing"

	"github.com/commonvat/commonvat/plugins/sdk"
	comparev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/compare/v1"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every call of the contract is a question that the module describes, with its method, how several are held together, and what that rests on; and every source
// is some question's.
func TestEveryQuestionIsDescribed(t *testing.T) {
	d := Describe()
	require.NoError(t, sdk.CheckDescription(d))
	calls := comparev1.File_commonvat_module_compare_v1_compare_proto.Services().ByName("CompareService").Methods()
	require.Len(t, d.GetQuestions(), calls.Len())
	cited := map[uint32]bool{}
	for i := range calls.Len() {
		q := d.GetQuestions()[i]
		assert.Equal(t, string(calls.Get(i).Name()), q.GetCall())
		for _, s := range q.GetSources() {
			cited[s] = true
		}
	}
	assert.Len(t, cited, len(d.GetSources()))
	all := d.GetSummary()
	for _, q := range d.GetQuestions() {
		all += " " + q.GetAsks()
	}
	// What an experiment can ask, and what eyes judge.
	for _, word := range []string{"order", "water", "fibres", "mordants", "exhaust baths", "eyes", "blank arms", "wider"} {
		assert.True(t, strings.Contains(all, word), word)
	}
}
