package sandbox

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// variable carries the order to the launcher. A program that finds it in its environment becomes the launcher.
const variable = "COMMONVAT_SANDBOX_ORDER"

// Exit codes of a launcher that did not get as far as the module. What was wrong is on standard error.
const (
	ExitChecksum = 120
	ExitFailed   = 121
)

// order is what the host tells its launcher.
type order struct {
	Path    string   `json:"path"`
	SHA256  string   `json:"sha256,omitempty"` // hexadecimal; empty for unchecked
	Args    []string `json:"args"`             // with the name of the program
	Env     []string `json:"env"`
	Sockets string   `json:"sockets"`
	Host    int      `json:"host"` // process id
	Profile Profile  `json:"profile"`
	Wish    Wish     `json:"wish"`
}

// Launch says how a host starts the module: the program, and its whole environment. Working folder, descriptors, process group
// and parent-death signal are the host's to set as for the module itself. args begins with the module's name for itself.
type Launch struct {
	Path string
	Args []string
	Env  []string
}

// Launch prepares a start under p. sum is the SHA-256 that the executable must have, nil for unchecked, which Production
// refuses; sockets is the folder in which the module makes its socket.
func (p Policy) Launch(path string, sum []byte, args, env []string, sockets string) (Launch, error) {
	if err := p.Check(Survey()); err != nil {
		return Launch{}, err
	}
	if !p.On() {
		return Launch{Path: path, Args: args, Env: env}, nil
	}
	if p.Profile == Production && sum == nil {
		return Launch{}, errors.New("the production profile starts no executable without a checksum")
	}
	if !filepath.IsAbs(path) || !filepath.IsAbs(sockets) {
		return Launch{}, fmt.Errorf("executable %q and socket folder %q must be absolute", path, sockets)
	}
	// For Go modules: collect what can be collected before the limit ends the process.
	env = append(env[:len(env):len(env)], fmt.Sprintf("GOMEMLIMIT=%dMiB", p.Wish.memoryMiB()*3/4))
	text, err := json.Marshal(order{
		Path: path, SHA256: hex.EncodeToString(sum), Args: args, Env: env, Sockets: sockets,
		Host: os.Getpid(), Profile: p.Profile, Wish: p.Wish,
	})
	if err != nil {
		return Launch{}, err
	}
	return launcher(string(text), path)
}
