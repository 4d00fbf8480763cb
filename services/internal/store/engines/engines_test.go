package engines_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/engines"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
)

// TestEveryEngine runs the suite on each engine that the core can be started with.
func TestEveryEngine(t *testing.T) {
	all := engines.All()
	require.NotEmpty(t, all)
	assert.Equal(t, engines.Default, all[0].Name)
	for _, engine := range all {
		t.Run(engine.Name, func(t *testing.T) {
			storetest.Run(t, func(t *testing.T, folder string) store.Engine {
				opened, err := engine.Open(t.Context(), engines.Config{Folder: folder})
				require.NoError(t, err)
				return opened
			})
		})
	}
}

// TestEveryFolderIsListed: what opens an engine beside this package is an engine of the list, and runs the suite by it.
func TestEveryFolderIsListed(t *testing.T) {
	entries, err := os.ReadDir("..")
	require.NoError(t, err)
	var found []string
	for _, entry := range entries {
		if entry.IsDir() && hasOpen(t, filepath.Join("..", entry.Name())) {
			found = append(found, entry.Name())
		}
	}
	var listed []string
	for _, engine := range engines.All() {
		listed = append(listed, engine.Name)
	}
	assert.NotEmpty(t, found)
	assert.ElementsMatch(t, found, listed)
}

// hasOpen reports whether a folder's package has a function Open.
func hasOpen(t *testing.T, folder string) bool {
	files, err := filepath.Glob(filepath.Join(folder, "*.go"))
	require.NoError(t, err)
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution)
		require.NoError(t, err)
		for _, declaration := range parsed.Decls {
			if f, ok := declaration.(*ast.FuncDecl); ok && f.Recv == nil && f.Name.Name == "Open" {
				return true
			}
		}
	}
	return false
}

func TestNamed(t *testing.T) {
	for _, engine := range engines.All() {
		named, err := engines.Named(engine.Name)
		require.NoError(t, err)
		assert.Equal(t, engine.Name, named.Name)
	}
	_, err := engines.Named("clay tablets")
	assert.EqualError(t, err, `storage engine "clay tablets" is not one of sqlite`)
	opened, err := engines.All()[0].Open(t.Context(), engines.Config{Folder: "/dev/null/folder"})
	require.Error(t, err)
	assert.True(t, opened == nil, "no engine that looks as if it were one")
}
