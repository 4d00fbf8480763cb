package linear

import (
	"testing"

	"github.com/anishathalye/porcupine"
	"github.com/stretchr/testify/assert"
)

// at is an operation from one time to another.
func at(from, to int64, in Input, out Output) porcupine.Operation {
	in.Record = "r"
	return porcupine.Operation{Input: in, Call: from, Output: out, Return: to}
}

func ok(value string, revision int64, entries ...string) Output {
	return Output{Result: OK, Value: value, List: DigestOf(entries), Revision: revision}
}

func deleted(out Output) Output {
	out.Deleted = true
	return out
}

// The model lets pass what one record could have answered, and nothing else.
func TestModel(t *testing.T) {
	const end = 1 << 40
	created := at(0, 1, Input{Kind: Create, Value: "a"}, ok("a", 1))
	for _, test := range []struct {
		name    string
		legal   bool
		history []porcupine.Operation
	}{
		{"one after the other", true, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Update, Value: "b", Revision: 1}, ok("b", 4)), at(4, 5, Input{Kind: Get}, ok("b", 4)),
		}},
		{"a read of what was overwritten before", false, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Update, Value: "b", Revision: 1}, ok("b", 4)), at(4, 5, Input{Kind: Get}, ok("a", 1)),
		}},
		{"a read of the older while it is overwritten", true, []porcupine.Operation{
			created, at(2, 5, Input{Kind: Update, Value: "b", Revision: 1}, ok("b", 4)), at(3, 4, Input{Kind: Get}, ok("a", 1)),
		}},
		{"two updates of one version", false, []porcupine.Operation{
			created, at(2, 5, Input{Kind: Update, Value: "b", Revision: 1}, ok("b", 4)), at(2, 5, Input{Kind: Update, Value: "c", Revision: 1}, ok("c", 5)),
		}},
		{"one of two updates of one version", true, []porcupine.Operation{
			created, at(2, 5, Input{Kind: Update, Value: "b", Revision: 1}, Output{Result: Stale}), at(2, 5, Input{Kind: Update, Value: "c", Revision: 1}, ok("c", 5)),
		}},
		{"stale without another change", false, []porcupine.Operation{
			created, at(2, 5, Input{Kind: Update, Value: "b", Revision: 1}, Output{Result: Stale}),
		}},
		{"stale because of a change without answer", true, []porcupine.Operation{
			created, at(2, end, Input{Kind: Update, Value: "c", Revision: 1}, Output{Result: Unknown}),
			at(3, 5, Input{Kind: Update, Value: "b", Revision: 1}, Output{Result: Stale}), at(6, 7, Input{Kind: Get}, ok("c", 3)),
		}},
		{"a change without answer that did not happen", true, []porcupine.Operation{
			created, at(2, end, Input{Kind: Update, Value: "c", Revision: 1}, Output{Result: Unknown}), at(6, 7, Input{Kind: Get}, ok("a", 1)),
		}},
		{"a change without answer that happened and is gone again", false, []porcupine.Operation{
			created, at(2, end, Input{Kind: Update, Value: "c", Revision: 1}, Output{Result: Unknown}),
			at(6, 7, Input{Kind: Get}, ok("c", 2)), at(8, 9, Input{Kind: Get}, ok("a", 1)),
		}},
		{"an entry that is lost", false, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Add, Entry: "x"}, ok("a", 2, "x")), at(4, 5, Input{Kind: Add, Entry: "y"}, ok("a", 3, "y")),
		}},
		{"an entry that is there twice", false, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Add, Entry: "x"}, ok("a", 2, "x")), at(4, 5, Input{Kind: Get}, ok("a", 3, "x", "x")),
		}},
		{"a revision that goes back", false, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Add, Entry: "x"}, ok("a", 7, "x")), at(4, 5, Input{Kind: Add, Entry: "y"}, ok("a", 6, "x", "y")),
		}},
		{"deleted, refused and undeleted", true, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Delete, Revision: 1}, deleted(ok("a", 2))), at(4, 5, Input{Kind: Update, Value: "b", Revision: 2}, Output{Result: Gone}),
			at(6, 7, Input{Kind: Undelete}, ok("a", 3)), at(8, 9, Input{Kind: Undelete}, Output{Result: NotDeleted}),
			at(10, 11, Input{Kind: Update, Value: "b", Revision: 3}, ok("b", 4)),
		}},
		{"an update of what is deleted", false, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Delete, Revision: 1}, deleted(ok("a", 2))), at(4, 5, Input{Kind: Update, Value: "b", Revision: 2}, ok("b", 3)),
		}},
		{"deleted and read as if it were not", false, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Delete, Revision: 1}, deleted(ok("a", 2))), at(4, 5, Input{Kind: Get}, ok("a", 2)),
		}},
		{"an outdated update of what is deleted", true, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Delete, Revision: 1}, deleted(ok("a", 2))), at(4, 5, Input{Kind: Update, Value: "b", Revision: 1}, Output{Result: Stale}),
		}},
		{"an outdated update that went through", false, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Add, Entry: "x"}, ok("a", 2, "x")), at(4, 5, Input{Kind: Update, Value: "b", Revision: 1}, ok("b", 3, "x")),
		}},
		{"undeleted without answer, or not", true, []porcupine.Operation{
			created, at(2, 3, Input{Kind: Delete, Revision: 1}, deleted(ok("a", 2))), at(4, end, Input{Kind: Undelete}, Output{Result: Unknown}),
			at(5, 6, Input{Kind: Get}, deleted(ok("a", 2))), at(7, 8, Input{Kind: Get}, ok("a", 3)),
		}},
		{"created twice", false, []porcupine.Operation{created, at(2, 3, Input{Kind: Create, Value: "b"}, ok("b", 2))}},
		{"there before it was created", false, []porcupine.Operation{at(2, 3, Input{Kind: Create, Value: "a"}, ok("a", 2)), at(0, 1, Input{Kind: Get}, ok("a", 2))}},
	} {
		t.Run(test.name, func(t *testing.T) {
			assert.Equal(t, test.legal, porcupine.CheckOperations(Model(), test.history))
		})
	}
}
