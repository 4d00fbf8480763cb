package storetest_test

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var (
	opensAnEngine = regexp.MustCompile(`(?m)^func Open\(`)
	runsTheSuite  = regexp.MustCompile(`\bstoretest\.Run\(t,`)
)

// Whatever opens an engine in a folder beside this one runs the suite in its own test, so that none can be had that wasn't held to it.
func TestEveryEngineRunsTheSuite(t *testing.T) {
	folders, err := os.ReadDir("..")
	require.NoError(t, err)
	var engines, held []string
	for _, folder := range folders {
		tests, err := filepath.Glob(filepath.Join("..", folder.Name(), "*_test.go"))
		require.NoError(t, err)
		sources, err := filepath.Glob(filepath.Join("..", folder.Name(), "*.go"))
		require.NoError(t, err)
		if matches(t, sources, opensAnEngine) {
			engines = append(engines, folder.Name())
		}
		if folder.Name() != "storetest" && matches(t, tests, runsTheSuite) {
			held = append(held, folder.Name())
		}
	}
	assert.Contains(t, engines, "sqlite")
	assert.Equal(t, engines, held)
}

func matches(t *testing.T, files []string, what *regexp.Regexp) bool {
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		if what.Match(text) {
			return true
		}
	}
	return false
}
