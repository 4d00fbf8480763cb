package load_test

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/clients/commonvat-demo/internal/load"
)

// Whatever a file of steps holds: an error, or steps that have a request each.
func FuzzRead(f *testing.F) {
	const notice = `{"notice":"invented"}` + "\n"
	for _, seed := range []string{
		"", notice, notice + `{"member":"ada","message":"commonvat.lab.v1.GetTrialRequest","request":{"trialId":"x"}}`, notice + `{"message":"no.such"}`, notice + "null", notice + "\xff",
		notice + `{"message":"google.protobuf.Any","request":{"@type":"x"}}`, notice + `{"message":"commonvat.lab.v1.GetTrialRequest"}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		steps, err := load.Read(bytes.NewReader(data))
		if err != nil {
			return
		}
		for _, step := range steps {
			require.NotNil(t, step.Request)
		}
	})
}
