package materials

import "slices"

// Names returns the first names of all materials, sorted.
func Names() []string {
	var names []string
	for _, m := range byName {
		names = append(names, m.Name)
	}
	slices.Sort(names)
	return slices.Compact(names)
}
