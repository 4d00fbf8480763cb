package catalog

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/commonvat/commonvat/plugins/sdk"
)

// ManifestName is the file that makes a folder a module folder. It is a JSON object with exactly the keys "name",
// "version" and "kind", all strings; the executable beside it is commonvat-module- followed by the name.
const ManifestName = "module.json"

const maxManifestBytes = 64 << 10

type manifest struct{ name, version, kind string }

// parseManifest reads a manifest. Unknown, repeated and missing keys are refused, which encoding/json alone would let pass.
func parseManifest(b []byte) (manifest, error) {
	var m manifest
	fields := map[string]*string{"name": &m.name, "version": &m.version, "kind": &m.kind}
	seen := map[string]bool{}
	dec := json.NewDecoder(bytes.NewReader(b))
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
		case !known:
			return m, fmt.Errorf("unknown key %.80q, want name, version and kind", key)
		case seen[key]:
			return m, fmt.Errorf("key %q appears twice", key)
		}
		seen[key] = true
		t, err = dec.Token()
		if err != nil {
			return m, err
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
	return m, sdk.CheckIdentity(m.name, m.version, m.kind)
}
