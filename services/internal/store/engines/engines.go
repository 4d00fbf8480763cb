// Package engines lists the storage engines with which the core can be started. Each runs the suite of
// storetest in this package's test, so that none can be chosen that was not held to it.
package engines

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"time"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
)

// Config is what every engine is opened with.
type Config struct {
	// Folder of the engine's files; required, made when it isn't there.
	Folder string
	// CacheBytes bounds the cache of rows; 0 switches it off.
	CacheBytes int
	// RequestRetention is how long answers are kept for requests sent again; 0 means the engine's default, negative for ever.
	RequestRetention time.Duration
	// Logger may be nil: nothing is logged.
	Logger *slog.Logger
}

// Engine is a storage engine that can be chosen by name.
type Engine struct {
	Name string
	Open func(ctx context.Context, config Config) (store.Engine, error)
}

// Default is the name of the engine that is used when none is chosen.
const Default = "sqlite"

// All are the engines, the default one first.
func All() []Engine {
	return []Engine{
		{Default, openSQLite},
	}
}

// Named gives the engine of a name. The error of an unknown one names those that there are.
func Named(name string) (Engine, error) {
	var names []string
	for _, engine := range All() {
		if engine.Name == name {
			return engine, nil
		}
		names = append(names, engine.Name)
	}
	return Engine{}, fmt.Errorf("storage engine %q is not one of %s", name, strings.Join(names, ", "))
}

// SQLiteFile is the name of the engine sqlite's file in its folder.
const SQLiteFile = "commonvat.db"

func openSQLite(ctx context.Context, config Config) (store.Engine, error) {
	s, err := sqlite.Open(ctx, sqlite.Config{
		Path: filepath.Join(config.Folder, SQLiteFile), CacheBytes: config.CacheBytes,
		RequestRetention: config.RequestRetention, Logger: config.Logger,
	})
	if err != nil {
		return nil, err // not a nil *sqlite.Store in a store.Engine
	}
	return s, nil
}
