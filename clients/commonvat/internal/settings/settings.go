// Package settings keeps where the member's server is and the member's token: in one file in
// the user's configuration folder, readable by the user alone.
package settings

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// Settings is what is kept between calls.
type Settings struct {
	Server string `json:"server,omitempty"`
	// Token belongs to Server and is sent to no other.
	Token  string `json:"token,omitempty"`
	CAFile string `json:"ca_file,omitempty"`
	// CertFile and KeyFile are what this client shows of itself to Server.
	CertFile string `json:"cert_file,omitempty"`
	KeyFile  string `json:"key_file,omitempty"`
}

// ErrOpenToOthers says that the file can be read by other users of the machine.
var ErrOpenToOthers = errors.New("can be read by others")

// DefaultPath is the file in the user's configuration folder.
func DefaultPath() (string, error) {
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("find the configuration folder: %w", err)
	}
	return filepath.Join(dir, "commonvat", "settings.json"), nil
}

// Load reads the file; a file that isn't there gives empty settings.
func Load(path string) (Settings, error) {
	data, err := ReadPrivate(path)
	if errors.Is(err, fs.ErrNotExist) {
		return Settings{}, nil
	}
	if err != nil {
		return Settings{}, err
	}
	s, err := parse(data)
	if err != nil {
		return Settings{}, fmt.Errorf("settings file %s: %w", path, err)
	}
	return s, nil
}

func parse(data []byte) (s Settings, err error) {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&s); err != nil {
		return Settings{}, err
	}
	return s, nil
}

// ReadPrivate reads a small file that holds a secret, and refuses one that others may read.
func ReadPrivate(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // read only
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if runtime.GOOS != "windows" && info.Mode().IsRegular() && info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("%s %w (mode %04o); run: chmod 600 %s", path, ErrOpenToOthers, info.Mode().Perm(), path)
	}
	data, err := io.ReadAll(io.LimitReader(f, 64<<10+1))
	if err == nil && len(data) > 64<<10 {
		err = fmt.Errorf("%s has more than 64 KiB", path)
	}
	return data, err
}

// ReadToken reads a token: one line, without spaces.
func ReadToken(data []byte) (string, error) {
	token := strings.TrimSpace(string(data))
	if token == "" {
		return "", errors.New("the token is empty")
	}
	if len(token) > 1024 || strings.ContainsFunc(token, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return "", errors.New("that is not a token: one word of printable characters is wanted")
	}
	return token, nil
}

// Save writes the file whole or not at all, readable by the user alone.
func (s Settings) Save(path string) error {
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return fmt.Errorf("keep settings: %w", err)
	}
	return WritePrivate(path, append(data, '\n'))
}

// WritePrivate writes a file whole or not at all, with mode 0600, making its folder if needed.
func WritePrivate(path string, data []byte) (err error) {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make the folder of %s: %w", path, err)
	}
	f, err := os.CreateTemp(dir, ".commonvat-*") // made with mode 0600
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("write %s: %w", path, err), os.Remove(f.Name()))
		}
	}()
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
