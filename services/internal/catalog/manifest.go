package catalog

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
)

// ManifestName is the file that makes a folder a module folder. It is a JSON object with the keys "name", "version"
// and "kind", all strings, and if the module needs more than the least, "memory_mib", a whole number, and "runtime", a
// string: see sandbox.Wish. The executable beside it is commonvat-module- followed by the name.
const ManifestName = "module.json"

const maxManifestBytes = 64 << 10

type manifest struct {
	name, version, kind string
	wish                sandbox.Wish
}

// parseManifest reads a manifest. Unknown, repeated and missing keys are refused, which encoding/json alone would let pass.
func parseManifest(b []byte) (manifest, error) {
	var m manifest
	fields := map[string]*string{"name": &m.name, "version": &m.version, "kind": &m.kind, "runtime": &m.wish.Runtime}
	seen := map[string]bool{}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.UseNumber()
	if t, err := dec.Token(); err != nil || t != json.Delim('{') {
		return m, errors.New("not a JSON object")
	}
	for dec.More() {
		t, err := dec.Token()
		if err != nil {
			return m, err
		}
		key, _ := t.(string)
		field, known := fields[key]
		switch {
		case !known && key != memoryKey:
			return m, fmt.Errorf("unknown key %.80q, want name, version and kind, and at most memory_mib and runtime", key)
		case seen[key]:
			return m, fmt.Errorf("key %q appears twice", key)
		}
		seen[key] = true
		t, err = dec.Token()
		if err != nil {
			return m, err
		}
		if key == memoryKey {
			if m.wish.MemoryMiB, err = wholeNumber(t); err != nil {
				return m, fmt.Errorf("value of %q %w", key, err)
			}
			continue
		}
		text, ok := t.(string)
		if !ok {
			return m, fmt.Errorf("value of %q is not a string", key)
		}
		*field = text
	}
	if _, err := dec.Token(); err != nil {
		return m, err
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return m, errors.New("something follows the JSON object")
	}
	if err := sdk.CheckIdentity(m.name, m.version, m.kind); err != nil {
		return m, err
	}
	return m, m.wish.Check()
}

// memoryKey is the one key whose value is no string.
const memoryKey = "memory_mib"

// wholeNumber reads the value of memoryKey. A 0 is refused too: who asks for nothing leaves the key out.
func wholeNumber(t json.Token) (int, error) {
	text, ok := t.(json.Number)
	if !ok {
		return 0, errors.New("is not a number")
	}
	n, err := strconv.Atoi(text.String())
	if err != nil || n < sandbox.MinMemoryMiB || n > sandbox.MaxMemoryMiB {
		return 0, fmt.Errorf("is %.40s, want a whole number, %d to %d", text, sandbox.MinMemoryMiB, sandbox.MaxMemoryMiB)
	}
	return n, nil
}
