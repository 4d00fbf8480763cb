package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/packs"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
)

// Packs are in a backup and come back with it; one that is missing or changed is told by verify, and keeps a backup from being made.
func TestPacksAreBackedUpAndVerified(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	require.NoError(t, os.Mkdir(data, 0o700))
	records, err := sqlite.Open(t.Context(), sqlite.Config{Path: datafolder.Store(data)})
	require.NoError(t, err)
	digest, err := packs.OpenFolder(datafolder.Packs(data)).Keep([]byte("rules"))
	require.NoError(t, err)
	require.NoError(t, records.PutPack(t.Context(), store.Actor{Member: store.Server, Method: "test"}, store.PackRow{
		Module: "safety-rules", Kind: "safety", Digest: digest, Name: "ours", Version: "1.0.0", Bytes: 5, InForce: true, At: time.Now(),
	}, "added", ""))
	require.NoError(t, records.Close())

	kept, restored := filepath.Join(t.TempDir(), "backup"), filepath.Join(t.TempDir(), "restored")
	for _, args := range [][]string{
		{"verify", "--data", data}, {"backup", "create", kept, "--data", data}, {"backup", "verify", kept}, {"backup", "restore", kept, "--data", restored}, {"verify", "--data", restored},
	} {
		code, _, said := command(t, args...)
		require.Zero(t, code, "%v: %s", args, said)
	}
	content, err := packs.OpenFolder(datafolder.Packs(restored)).Content(digest)
	require.NoError(t, err)
	assert.Equal(t, "rules", string(content))

	file := filepath.Join(datafolder.Packs(restored), "sha256", digest)
	require.NoError(t, os.Remove(file))
	code, out, _ := command(t, "verify", "--data", restored)
	assert.Equal(t, 1, code)
	assert.Contains(t, out, "fault: pack ours 1.0.0 of safety-rules")
	require.NoError(t, os.WriteFile(file, []byte("Rules"), 0o600))
	code, _, said := command(t, "backup", "create", filepath.Join(t.TempDir(), "another"), "--data", restored)
	assert.NotZero(t, code)
	assert.Contains(t, said, digest)
}
