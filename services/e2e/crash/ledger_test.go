package crash

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A test that was killed finds its ledger as it left it, less a line that it had not finished.
func TestLedgerOutlivesItsTest(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger")
	l, err := OpenLedger(path)
	require.NoError(t, err)
	first, second, third := &Write{Op: "a", Member: "ash", Request: []byte{1}}, &Write{Op: "b"}, &Write{Op: "c"}
	for _, w := range []*Write{first, second, third} {
		require.NoError(t, l.Send(w))
	}
	require.NoError(t, l.Refuse(third, "no such piece"))
	require.NoError(t, l.Acknowledge(first, []byte{2}))
	require.NoError(t, l.Close())
	file, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = file.WriteString(`{"number":2,"fate":"acknow`)
	require.NoError(t, err)
	require.NoError(t, file.Close())

	l, err = OpenLedger(path)
	require.NoError(t, err)
	want := []*Write{
		{Number: 1, Fate: Acknowledged, Op: "a", Member: "ash", Request: []byte{1}, Answer: []byte{2}},
		{Number: 2, Fate: Sent, Op: "b"},
		{Number: 3, Fate: Refused, Op: "c", Reason: "no such piece"},
	}
	assert.Equal(t, want, l.Writes())
	require.NoError(t, l.Acknowledge(l.Writes()[1], nil))
	require.NoError(t, l.Send(&Write{Op: "d"}))
	require.NoError(t, l.Close())
	l, err = OpenLedger(path)
	require.NoError(t, err)
	assert.Equal(t, Acknowledged, l.Writes()[1].Fate)
	assert.Equal(t, 4, l.Writes()[3].Number)
	require.NoError(t, l.Close())

	require.NoError(t, os.WriteFile(path, []byte(`{"number":9,"fate":"acknowledged"}`+"\n"), 0o600))
	_, err = OpenLedger(path)
	assert.ErrorContains(t, err, "which was not sent")
}
