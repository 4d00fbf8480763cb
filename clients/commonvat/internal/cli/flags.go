package cli

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
)

// flagsOf are the flags behind a field of a request where they aren't called as it is: the core speaks of fields, and whoever types a command doesn't know
// them. A field may have several flags, of which a command has one, or of which one was given.
var flagsOf = map[string][]string{
	"abandoned_reason":    {"reason"},
	"after_position":      {"after"},
	"after_sequence":      {"after"},
	"alkalinity_mg_per_l": {"alkalinity"},
	"arms":                {"arm"},
	"ask_order":           {"order"},
	"bath_id":             {"bath"},
	"density_kg_per_l":    {"density"},
	"display_name":        {"name"},
	"experiment_id":       {"experiment"},
	"expire_time":         {"expires"},
	"filter":              {"where"},
	"first_colour":        {"lab", "spectrum"},
	"first_dye":           {"first"},
	"grey_scale_step":     {"grey-scale"},
	"group_by":            {"by"},
	"hardness_mg_per_l":   {"hardness"},
	"intended_depth":      {"depth"},
	"iron_mg_per_l":       {"iron"},
	"lab_condition":       {"condition"},
	"minimum_revision":    {"revision"},
	"modules":             {"module"},
	"open_to_members":     {"open"},
	"pack_sha256":         {"pack"},
	"parameters":          {"set"},
	"piece_id":            {"piece"},
	"purposes":            {"purpose"},
	"radius_share":        {"share"},
	"rule_id":             {"rule"},
	"second_depth":        {"depth"},
	"second_dye":          {"second"},
	"substrate_piece":     {"undyed-piece"},
	"temperature_c":       {"temperature"},
	"threshold_de00":      {"threshold"},
	"to_member":           {"to"},
	"tolerance_de00":      {"tolerance"},
	"trial_id":            {"trial", "into-trial"},
	"validate_only":       {"check"},
	"values":              {"value"},
	"water_parts":         {"water"},
	"water_source_ids":    {"water"},
	"with_ages":           {"ages"},
	"with_checksum":       {"checksum"},
	"with_spectra":        {"spectra"},
}

// flagFor gives the flag of a command behind a field of its request, such as --where for question.filter; "" where it has none. Of a field within a field
// the innermost that has a flag counts, and of a list it is told which of the flags it is; not of a list within a list, whose places aren't those of the flags.
func flagFor(c *cobra.Command) func(field string) string {
	return func(field string) string {
		segments := strings.Split(field, ".")
		for at, segment := range slices.Backward(segments) {
			name, index, _ := strings.Cut(segment, "[")
			found := ""
			for _, flag := range append([]string{strings.ReplaceAll(name, "_", "-")}, flagsOf[name]...) {
				switch f := c.LocalFlags().Lookup(flag); {
				case f == nil:
				case f.Changed:
					found = "--" + flag
				case found == "":
					found = "--" + flag
				}
			}
			if found == "" {
				continue
			}
			within := strings.Contains(strings.Join(segments[:at], "."), "[")
			if i, err := strconv.Atoi(strings.TrimSuffix(index, "]")); err == nil && i > 0 && !within {
				found = fmt.Sprintf("%s (no. %d)", found, i+1)
			}
			return found
		}
		return ""
	}
}

// fieldWord is a word of a text that can be nothing but the name of a field.
var fieldWord = regexp.MustCompile(`\b[a-z]+(?:_[a-z0-9]+)+\b`)

// inFlags says the fields of a text as the command line does.
func inFlags(text string, named func(field string) string) string {
	return fieldWord.ReplaceAllStringFunc(text, func(word string) string {
		if flag := named(word); flag != "" {
			return flag
		}
		return word
	})
}
