package sqlite

import (
	"log/slog"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
)

func TestSuite(t *testing.T) {
	for name, config := range map[string]Config{
		"cached":          {CacheBytes: DefaultCacheBytes},
		"uncached":        {},
		"small and tight": {CacheBytes: 4 << 10, GroupSize: 3, QueueSize: 2},
	} {
		t.Run(name, func(t *testing.T) {
			storetest.Run(t, func(t *testing.T, folder string) store.Engine {
				return openIn(t, folder, config)
			})
		})
	}
}

func openIn(t testing.TB, folder string, config Config) *Store {
	config.Path = filepath.Join(folder, "records.db")
	config.Logger = slog.New(slog.DiscardHandler)
	s, err := Open(t.Context(), config)
	require.NoError(t, err)
	return s
}
