package host_test

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/sdk/host"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
)

// nices are the nice values of a process's threads (proc(5), /proc/pid/stat, field 19), each once.
func nices(t *testing.T, pid int) map[int]bool {
	t.Helper()
	threads, err := os.ReadDir(fmt.Sprintf("/proc/%d/task", pid))
	require.NoError(t, err)
	all := map[int]bool{}
	for _, thread := range threads {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%s/stat", pid, thread.Name()))
		if os.IsNotExist(err) {
			continue
		}
		require.NoError(t, err)
		rest := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		nice, err := strconv.Atoi(rest[19-3]) // the first of rest is field 3
		require.NoError(t, err)
		all[nice] = true
	}
	return all
}

// A process that is started gently has less of the processor until it is let go; then all of its threads have what this one has.
func TestGentleStart(t *testing.T) {
	own := nices(t, os.Getpid())
	require.Len(t, own, 1)
	p, err := start(t, "echo", func(cfg *host.Config) { cfg.Gently = true })
	require.NoError(t, err)
	var limit syscall.Rlimit
	const rlimitNice = 13 // of asm-generic/resource.h
	require.NoError(t, syscall.Getrlimit(rlimitNice, &limit))
	if lowered := nices(t, p.PID()); os.Getuid() == 0 || limit.Cur >= 20 {
		for nice := range lowered {
			assert.False(t, own[nice], "nice %d is no lower priority", nice)
		}
	} else {
		assert.Equal(t, own, lowered, "what couldn't be raised again isn't lowered")
	}
	_, err = echo.Call(t.Context(), p.Conn(), []byte("madder"))
	require.NoError(t, err)
	p.FullPriority()
	assert.Equal(t, own, nices(t, p.PID()))
	_, err = echo.Call(t.Context(), p.Conn(), []byte("madder"))
	require.NoError(t, err)
	assert.Equal(t, own, nices(t, p.PID()), "nor do later threads have less")

	hurried, err := start(t, "echo")
	require.NoError(t, err)
	assert.Equal(t, own, nices(t, hurried.PID()))
}
