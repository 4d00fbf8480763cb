package load_test

import (
	"bytes"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/invent"
	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/load"
)

// The committed demo is what its program writes, to the byte.
func TestCommittedDemoIsWhatTheProgramInvents(t *testing.T) {
	committed, err := os.ReadFile("../../../../testdata/demo/cooperative.jsonl")
	require.NoError(t, err)
	var fresh bytes.Buffer
	require.NoError(t, load.Write(&fresh, invent.Seed, invent.Cooperative(invent.Seed)))
	require.True(t, bytes.Equal(committed, fresh.Bytes()), "run make demo-data and commit the file")
}

func TestWhatIsWrittenIsRead(t *testing.T) {
	steps := invent.Cooperative(7)
	var file bytes.Buffer
	require.NoError(t, load.Write(&file, 7, steps))
	back, err := load.Read(&file)
	require.NoError(t, err)
	require.Len(t, back, len(steps))
	for i := range steps {
		require.Equal(t, steps[i].Member, back[i].Member)
		require.True(t, proto.Equal(steps[i].Request, back[i].Request), "step %d", i+1)
	}
}

func TestBadLinesAreNamed(t *testing.T) {
	notice := `{"notice":"x"}` + "\n"
	for name, c := range map[string]struct{ file, want string }{
		"no notice":       {`{"member":"a"}`, "line 1"},
		"not JSON":        {notice + "what", "line 2"},
		"unknown message": {notice + `{"member":"a","message":"no.such","request":{}}`, `"no.such"`},
		"unknown field":   {notice + `{"member":"a","message":"commonvat.lab.v1.GetTrialRequest","request":{"x":1}}`, "line 2"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := load.Read(bytes.NewReader([]byte(c.file)))
			require.ErrorContains(t, err, c.want)
		})
	}
}
