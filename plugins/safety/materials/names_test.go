package materials

import (
	"bytes"
	"slices"

	"github.com/goccy/go-yaml"
)

// Names returns the first names of all materials, sorted.
func Names() []string {
	var names []string
	for _, m := range byName {
		names = append(names, m.Name)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// Written returns all names of the table as they stand there.
func Written() (names []string, err error) {
	var list []Material
	err = yaml.NewDecoder(bytes.NewReader(text), yaml.Strict()).Decode(&list)
	for _, m := range list {
		names = append(append(names, m.Name), m.Also...)
		for _, f := range m.Forms {
			names = append(names, f.Names...)
		}
	}
	return names, err
}
