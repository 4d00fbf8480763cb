package hostile

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// parsers are all that read what comes from outside a process, or from a file, with the fuzz target that tries each. A parser that is
// fuzzed through another stands with that one's target.
var parsers = []struct{ folder, parser, target string }{
	{"services/internal/api", "the count of a request's elements", "FuzzCount"},
	{"services/internal/api", "every request, as bytes over a connection", "FuzzWire"},
	{"services/internal/api/validate", "every request, nearly right", "FuzzEveryRequest"},
	{"services/internal/api/validate", "every request, at random", "FuzzMessage"},
	{"services/internal/api/validate", "update masks", "FuzzUpdateMask"},
	{"services/internal/api/filter", "filters of lists", "FuzzParse"},
	{"services/internal/api/page", "page tokens", "FuzzRead"},
	{"services/internal/api/labv1", "etags", "FuzzEtag"},
	{"services/internal/api/labv1", "records in answers", "FuzzSummarise"},
	{"services/internal/access", "tokens", "FuzzParseToken"},
	{"services/internal/backup", "the manifest of a backup", "FuzzParseManifest"},
	{"services/internal/catalog", "the manifest of a module", "FuzzParseManifest"},
	{"services/internal/catalog", "versions of modules", "FuzzCompareVersions"},
	{"services/internal/catalog", "the list of a module's files", "FuzzParseFiles"},
	{"services/internal/config", "the configuration file", "FuzzFile"},
	{"services/internal/pool", "filters of questions", "FuzzFilter"},
	{"services/internal/record", "stored records", "FuzzDecode"},
	{"services/internal/record", "stored trials as the pool reads them", "FuzzDecodePooled"},
	{"services/internal/runs/frozen", "the columns of runs", "FuzzDecode"},
	{"services/internal/store/piececode", "codes of pieces", "FuzzCode"},
	{"services/internal/store/sqlite", "ids", "FuzzID"},
	{"services/internal/store/sqlite", "texts to search for", "FuzzSearch"},
	{"services/internal/store/sqlite", "earlier versions of records", "FuzzDelta"},
	{"services/internal/trial", "a whole trial", "FuzzSubmitTrial"},
	{"services/e2e/script", "scripts of tests", "FuzzScripts"},
	{"plugins/reading", "raw colours", "FuzzRawColour"},
	{"plugins/reading", "strengths, levelness, dips and adaptation", "FuzzDerived"},
	{"plugins/reading/reflectance", "spectra", "FuzzColour"},
	{"plugins/difference", "pairs of colours", "FuzzRequest"},
	{"plugins/difference", "grades of fastness", "FuzzFastness"},
	{"plugins/palette", "streams of rows", "FuzzStream"},
	{"plugins/compare", "streams of rows", "FuzzStream"},
	{"plugins/compare", "headers and columns of order effects, waters and groups", "FuzzFurther"},
	{"plugins/bathscale", "plans of baths", "FuzzScaleBaths"},
	{"plugins/bathscale", "baths over days", "FuzzLayOutDays"},
	{"plugins/bathscale", "mixes of waters", "FuzzMixWaters"},
	{"plugins/mordant", "questions about mordants", "FuzzSelectMordants"},
	{"plugins/mordant/choice", "facts about mordants", "FuzzParseFacts"},
	{"plugins/overdye", "trials of two baths", "FuzzPredictOverdye"},
	{"plugins/safety", "steps and their facts", "FuzzJudgeSteps"},
	{"plugins/safety", "names of materials", "FuzzNameMaterials"},
	{"plugins/safety/rules", "rule packs", "FuzzParsePack"},
	{"plugins/sdk/columns", "columns in chunks", "FuzzReceive"},
	{"plugins/sdk/colorimetry", "colour conditions", "FuzzParseCondition"},
	{"plugins/sdk/colorimetry", "wavelengths", "FuzzNewWeightsAt"},
	{"plugins/sdk/host", "spans in trailers", "FuzzCheckSpans"},
	{"plugins/sdk/packed", "columns read quickly", "FuzzRead"},
	{"plugins/sdk/packed", "requests of columns and labels read quickly", "FuzzWithin"},
	{"clients/commonvat/internal/archive", "manifests of exports", "FuzzManifest"},
	{"clients/commonvat/internal/archive", "records in lines", "FuzzRecordLines"},
	{"clients/commonvat/internal/archive", "cells of text", "FuzzTextCells"},
	{"clients/commonvat/internal/archive", "cells of figures", "FuzzFigureCells"},
	{"clients/commonvat/internal/bulk", "mappings and tables", "FuzzImport"},
	{"clients/commonvat/internal/bulk", "spectra in files", "FuzzReadSpectrum"},
	{"clients/commonvat/internal/cli", "fibres as typed", "FuzzParseFibre"},
	{"clients/commonvat/internal/compute", "tables to calculate on", "FuzzTables"},
	{"clients/commonvat/internal/compute", "formulas as typed", "FuzzParseFormula"},
	{"clients/commonvat/internal/document", "JSON and YAML, numbers", "FuzzParse"},
	{"clients/commonvat/internal/tryout", "cases for modules", "FuzzParseCase"},
	{"clients/commonvat/internal/planfile", "files of plans, workshops and health", "FuzzParse"},
	{"clients/commonvat/internal/quantity", "amounts, temperatures, times", "FuzzQuantity"},
	{"clients/commonvat/internal/settings", "settings and tokens in files", "FuzzSettings"},
	{"clients/commonvat/internal/trialfile", "files of trials, baths and experiments", "FuzzParse"},
	{"clients/commonvat-demo/internal/load", "the demo's steps", "FuzzRead"},
}

// unfuzzed are functions with the name of a parser that need no target, with the reason.
var unfuzzed = map[string]string{
	"plugins/sdk/sandbox.ParseProfile":                "one of three words",
	"services/internal/runs.decode":                   "reads a row whose checksum is held against it before",
	"plugins/sdk/colorimetry.ParseIlluminant":         "read by ParseCondition",
	"plugins/sdk/colorimetry.ParseObserver":           "read by ParseCondition",
	"plugins/sdk/colorimetry.readTables":              "reads what is compiled in",
	"clients/commonvat/internal/output.ParseFormat":   "one of a few words",
	"services/internal/api/labv1.decodeVersion":       "picks among the decoders of package record",
	"services/internal/bench.decode":                  "reads what the bench itself kept",
	"services/e2e/crash.decode":                       "reads what the harness itself wrote",
	"services/internal/catalog.readFolder":            "reads files for parseManifest",
	"services/internal/backup.readManifest":           "reads a file for parseManifest",
	"clients/commonvat-demo/internal/stage.readSteps": "opens a file for load.Read",
	"clients/commonvat/internal/settings.ReadPrivate": "takes a file's bytes",
	"services/internal/config.readFile":               "takes a file's bytes",
	"services/internal/catalog.readName":              "takes a file's bytes",
	"services/internal/catalog.readLimited":           "takes a file's bytes",
	"services/internal/store/sqlite.readVersions":     "reads rows for decodeDelta",
	"clients/commonvat/internal/cli.readLine":         "takes a line's bytes",
	"clients/commonvat/internal/cli.readUnseen":       "takes a line's bytes",
	"services/e2e/crash.ReadState":                    "asks the store",
}

var (
	parserName = regexp.MustCompile(`(?m)^func ((?:[Pp]arse|[Dd]ecode|[Uu]nmarshal|[Rr]ead)(?:[A-Z][A-Za-z]*)?)\(`)
	targetName = regexp.MustCompile(`(?m)^func (Fuzz[A-Za-z]+)\(f \*testing\.F\)`)
)

// Each target of the list is there, and has a seed; no target is missing from the list; and a package with a function that is called
// like a parser has a target, or a reason for that function.
func TestEveryParserHasATarget(t *testing.T) {
	root := filepath.Join("..", "..", "..", "..", "..")
	_, err := os.Stat(filepath.Join(root, "go.mod"))
	require.NoError(t, err)
	listed, fuzzed := map[string]bool{}, map[string]bool{}
	for _, p := range parsers {
		listed[p.folder+"."+p.target], fuzzed[p.folder] = true, true
	}
	found, named := map[string]bool{}, map[string]bool{}
	for _, top := range []string{"services", "plugins", "clients"} {
		require.NoError(t, filepath.WalkDir(filepath.Join(root, top), func(path string, entry fs.DirEntry, err error) error {
			if err != nil || entry.IsDir() || !strings.HasSuffix(path, ".go") {
				return err
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			folder, err := filepath.Rel(root, filepath.Dir(path))
			folder = filepath.ToSlash(folder)
			if strings.HasSuffix(path, "_test.go") {
				for _, match := range targetName.FindAllSubmatch(text, -1) {
					found[folder+"."+string(match[1])] = true
					assert.Contains(t, string(text), "f.Add(", "%s has no seed", path)
				}
				return err
			}
			for _, match := range parserName.FindAllSubmatch(text, -1) {
				named[folder+"."+string(match[1])] = true
				assert.True(t, fuzzed[folder] || unfuzzed[folder+"."+string(match[1])] != "", "%s.%s has neither a fuzz target in its package nor a reason", folder, match[1])
			}
			return err
		}))
	}
	for _, calculation := range []string{"FuzzCIEDE2000", "FuzzCurveFromColour", "FuzzFitDips"} { // no parsers
		delete(found, "plugins/sdk/colorimetry."+calculation)
	}
	assert.Equal(t, listed, found, "the list of targets, and the targets")
	for name := range unfuzzed {
		assert.True(t, named[name], "%s is excused and isn't there", name)
	}
}
