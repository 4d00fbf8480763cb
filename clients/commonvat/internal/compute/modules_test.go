package compute

import (
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/plugins/difference"
	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
)

// The test binary is also a difference module.
func TestMain(m *testing.M) {
	plugintest.Main(map[string]func(){difference.Name: func() { sdk.Serve(difference.Module()) }})
	os.Exit(m.Run())
}

// A module of another kind than was asked for isn't kept: the second question would be put to it.
func TestOfAnotherKind(t *testing.T) {
	m, err := NewModules("", plugintest.Folder(t, difference.Name, difference.Version, sdk.KindDifference))
	require.NoError(t, err)
	defer m.Close()
	for range 2 {
		_, err := m.Conn(t.Context(), sdk.KindReading)
		var fault *FieldError
		require.ErrorAs(t, err, &fault)
		assert.Equal(t, "module difference-deltae is of kind difference, want reading", err.Error())
		_, err = m.Contract(t.Context(), sdk.KindReading, []string{"commonvat.module.difference.v1"})
		require.ErrorAs(t, err, &fault)
		assert.Empty(t, m.running)
	}
	sockets, err := os.ReadDir(m.sockets)
	require.NoError(t, err)
	assert.Empty(t, sockets, "its process has ended, and its folder is gone")

	conn, err := m.Conn(t.Context(), sdk.KindDifference)
	require.NoError(t, err)
	again, err := m.Conn(t.Context(), sdk.KindDifference)
	require.NoError(t, err)
	assert.Same(t, conn, again)
	contract, err := m.Contract(t.Context(), sdk.KindDifference, []string{"commonvat.module.difference.v1"})
	require.NoError(t, err)
	assert.Equal(t, "commonvat.module.difference.v1", contract)
	_, err = m.Contract(t.Context(), sdk.KindDifference, []string{"commonvat.module.difference.v2"})
	require.ErrorContains(t, err, "serves commonvat.module.difference.v1, which this program doesn't know")
	p := m.running[sdk.KindDifference]
	m.Close()
	select {
	case <-p.Exited():
	case <-time.After(time.Minute):
		t.Errorf("process %d is still there", p.PID())
	}
}

func TestNewestContract(t *testing.T) {
	var all []string
	for n := 1; n <= 11; n++ {
		all = append(all, "commonvat.module.palette.v"+strconv.Itoa(n))
	}
	assert.Equal(t, all[10], newestContract(sdk.KindPalette, all, all), "11 is later than 9")
	assert.Equal(t, all[9], newestContract(sdk.KindPalette, []string{all[8], all[9], all[1]}, all))
	assert.Equal(t, all[8], newestContract(sdk.KindPalette, all, all[:9]), "of those that are known")
	assert.Empty(t, newestContract(sdk.KindPalette, all[:2], all[2:]))
	assert.Empty(t, newestContract(sdk.KindPalette, []string{"commonvat.module.data.v1"}, []string{"commonvat.module.data.v1"}), "of another kind")
}
