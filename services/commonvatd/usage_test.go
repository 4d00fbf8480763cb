package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What is asked of a folder that isn't there is a fault of the command line, told with the flag that names it, and makes nothing.
func TestFoldersThatAreNotThere(t *testing.T) {
	t.Chdir(t.TempDir())
	code, _, stderr := command(t, "member", "add", "stella", "--data", "data", "--token-file", "stella.token")
	require.Equal(t, exitOK, code, stderr)
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"verify", "--data", "dta"}, "dta holds no records (commonvat.db isn't there): name the core's data folder with --data"},
		{[]string{"backup", "create", "kept", "--data", "dta"}, "dta holds no records"},
		{[]string{"member", "token", "stella", "--data", "dta"}, "dta holds no records"},
		{[]string{"module", "install", "stella.token", "--data", "dta"}, "there is no folder dta: name the core's data folder with --data; a new one begins with: commonvatd member add"},
		{[]string{"module", "list", "--data", "dta"}, "there is no folder dta: name the core's data folder with --data"},
		{[]string{"backup", "verify", "kept"}, "there is no backup at kept"},
		{[]string{"backup", "restore", "kept", "--data", "restored"}, "there is no backup at kept"},
		{[]string{"backup", "restore", "kept"}, "--data is required"},
		{[]string{"module", "install"}, "commonvatd module install: arguments wanted: 1 or more, given: 0; usage: commonvatd module install FOLDER..."},
	} {
		code, stdout, stderr := command(t, c.args...)
		assert.Equal(t, exitUsage, code, c.args)
		assert.Empty(t, stdout, c.args)
		assert.Contains(t, stderr, "commonvatd: "+c.says, c.args)
	}
	there, err := filepath.Glob("*")
	require.NoError(t, err)
	assert.Equal(t, []string{"data", "stella.token"}, there)

	// A data folder is no backup, and a backup that lost its manifest is none either.
	code, _, stderr = command(t, "backup", "verify", "data")
	assert.Equal(t, exitFault, code)
	assert.Equal(t, "commonvatd: backup is damaged, or data is none: it has no manifest.json\n", stderr)
}

// Only a list of faults is told one a line; what is one fault of two kinds stays whole.
func TestLinesOfFaults(t *testing.T) {
	one, other := errors.New("one"), errors.New("other")
	assert.Equal(t, []string{"one", "other"}, lines(usageError{errors.Join(one, other)}))
	assert.Equal(t, []string{"one: other"}, lines(fmt.Errorf("%w: %w", one, other)))
	assert.Equal(t, []string{"one"}, lines(one))
}
