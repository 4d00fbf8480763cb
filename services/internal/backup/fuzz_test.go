package backup

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/datafolder"
)

// Whatever a manifest says, it is refused as damaged, or names the store and no file outside of the backup's folder.
func FuzzParseManifest(f *testing.F) {
	for _, seed := range []string{
		`{"format":1,"files":[{"path":"records.db"}]}`, `{"format":1,"files":[{"path":"../records.db"},{"path":"records.db"}]}`, `{"format":1,"files":[{"path":"/etc/passwd"}]}`,
		`{"format":9,"files":null}`, `{"format":1,"files":[{"path":"records.db"}]} {}`, `{"unknown":1}`, `[]`, `null`, ``, "\xff", `{"format":1e400}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := parseManifest(text)
		if err != nil {
			require.ErrorIs(t, err, ErrDamaged)
			return
		}
		named := false
		for _, file := range m.Files {
			require.True(t, filepath.IsLocal(filepath.FromSlash(file.Path)))
			named = named || file.Path == datafolder.StoreFile
		}
		require.True(t, named)
	})
}
