package labv1

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// An etag is read only in the one form that it is written in.
func FuzzEtag(f *testing.F) {
	for _, seed := range []string{`"r1"`, `"rzz"`, `"r-1"`, `"r+1"`, `"R1"`, `r1`, `""`, ``, `"r00"`, `"r1y2p0ij32e8e8"`, "\"r\xff\""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, etag string) {
		if revision, ok := revisionOf(etag); ok {
			require.Equal(t, etag, trial.Etag(revision))
		}
	})
}
