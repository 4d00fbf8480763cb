package connect

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestLoopback(t *testing.T) {
	for host, want := range map[string]bool{"localhost": true, "LOCALHOST": true, "127.0.0.1": true, "127.9.9.9": true, "::1": true,
		"localhost.example": false, "192.0.2.1": false, "0.0.0.0": false, "": false, "example.org": false} {
		assert.Equal(t, want, Loopback(host), host)
	}
}

func TestDialRefuses(t *testing.T) {
	for _, server := range []string{"", "localhost", "localhost:", ":7730"} {
		_, err := Dial(Options{Server: server})
		assert.ErrorContains(t, err, "HOST:PORT", server)
	}
	_, err := Dial(Options{Server: "localhost:7730", CAFile: "none.pem"})
	assert.Error(t, err)
	for _, o := range []Options{{CertFile: "a"}, {KeyFile: "a"}} {
		o.Server = "localhost:7730"
		_, err = Dial(o)
		assert.ErrorContains(t, err, "go together")
	}
}

// A token is for TLS unless the connection goes to this machine.
func TestBearer(t *testing.T) {
	assert.False(t, bearer{tls: false}.RequireTransportSecurity())
	assert.True(t, bearer{tls: true}.RequireTransportSecurity())
}
