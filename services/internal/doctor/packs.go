package doctor

import (
	"errors"
	"io/fs"
	"slices"

	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/packs"
)

// packs holds what the store says is in force against the content that is kept and the modules that there are. What is missing is never checked, and plans that hang
// on it are not released.
func (e *exam) packs() {
	const check = "packs"
	const lost = "put its file back from the last backup, or add the same content again; until then nothing is answered by it"
	if !e.storeRead {
		return // what is in force isn't known; the check of the store says why
	}
	rows, fine := e.state.Packs, true
	kept := packs.OpenFolder(datafolder.Packs(e.Config.Data))
	for _, row := range rows {
		switch _, err := kept.Content(row.Digest); {
		case errors.Is(err, fs.ErrNotExist):
			fine = false
			e.add(check, Fault, lost, "%s %s of %s: its content %s is missing", row.Name, row.Version, row.Module, row.Digest)
		case err != nil:
			fine = false
			e.add(check, Fault, lost, "%s %s of %s: %v", row.Name, row.Version, row.Module, err)
		}
	}
	installed, _ := catalog.List(datafolder.Modules(e.Config.Data)) // its faults are told with the modules
	inForce := map[string]int{}
	var met []string // modules of which data is known
	total := 0
	for _, row := range rows {
		if !slices.Contains(met, row.Module) {
			met = append(met, row.Module)
		}
		if !row.InForce {
			continue
		}
		inForce[row.Module]++
		total++
		there := slices.ContainsFunc(installed, func(m catalog.Installed) bool { return m.Name == row.Module })
		switch {
		case slices.Contains(e.state.Retired, row.Module):
			fine = false
			e.add(check, Attention, "activate the module again, or retire the pack, if that was not meant",
				"%s %s is in force for %s, which is retired: it stops nothing", row.Name, row.Version, row.Module)
		case !there:
			fine = false
			e.add(check, Attention, "install the module again, or retire the pack, if that was not meant",
				"%s %s is in force for %s, which isn't installed: it stops nothing", row.Name, row.Version, row.Module)
		}
	}
	for _, m := range met {
		if inForce[m] == 0 && !slices.Contains(e.state.Retired, m) && slices.ContainsFunc(installed, func(in catalog.Installed) bool { return in.Name == m }) {
			fine = false
			e.add(check, Attention, "commonvat packs activate "+m+" DIGEST, unless that is meant", "nothing is in force for %s: plans that ask it are told \"not checked\", and have no amounts", m)
		}
	}
	switch {
	case !fine:
	case len(rows) == 0:
		e.add(check, OK, "", "none yet: what comes with a module is in force from its first start on")
	default:
		e.add(check, OK, "", "%d in force, %d kept, as their digests say", total, len(rows))
	}
}
