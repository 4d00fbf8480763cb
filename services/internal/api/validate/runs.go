package validate

import (
	"google.golang.org/protobuf/reflect/protoreflect"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
)

// The limits of a run.
const (
	maxRunModules    = 8
	maxRunParameters = 64
)

// addRuns: parameters are held against what a module describes by the handler; here they only have to be some.
func addRuns(add adder) {
	moduleName := matching(moduleNames, "the name of a module: lower-case letters, digits and single hyphens, beginning with a letter, at most 40")
	why := text(0, 500)
	add(&catalogv1.CreateRunRequest{}, rules{
		fields:    fields{"run_id": newID, "title": text(1, 120), "question": required, "modules": list(1, maxRunModules), "reason": why},
		unchecked: reasons{"seed": anyFigure},
		whole: typed(func(w *walk, p *path, m *catalogv1.CreateRunRequest) {
			seen := map[string]bool{}
			for i, module := range m.GetModules() {
				if name := module.GetName(); seen[name] {
					w.fault(p.of("modules").at(i).of("name"), "is %.60q, as another is; allowed: each module once", name)
				} else {
					seen[name] = true
				}
			}
		}),
	})
	add(&catalogv1.RunQuestion{}, rules{fields: fields{
		"group_by": requiredEnum, "filter": text(0, maxFilter), "experiment_id": maybeReference, "condition": maybe,
	}})
	add(&catalogv1.RunModule{}, rules{fields: fields{"name": moduleName, "parameters": list(0, maxRunParameters)}})
	add(&describev1.ParameterValue{}, rules{
		fields: fields{"name": text(1, 60), "number": number(-1e300, 1e300), "choice": text(0, 200)},
		whole: typed(func(w *walk, p *path, m *describev1.ParameterValue) {
			if m.GetValue() == nil {
				w.fault(p.of("number"), "is missing, and so is choice; allowed: one of them")
			}
		}),
	})
	add(&catalogv1.GetRunRequest{}, rules{fields: fields{"run_id": reference}})
	add(&catalogv1.ListRunsRequest{}, rules{fields: fields{"page_size": pageSize, "page_token": text(0, maxPageToken)}})
	add(&catalogv1.CancelRunRequest{}, rules{fields: fields{"run_id": reference, "reason": why}})
	add(&catalogv1.ResumeRunRequest{}, rules{fields: fields{"run_id": reference, "reason": why}})
	add(&catalogv1.DeleteRunRequest{}, rules{fields: fields{"run_id": reference, "reason": why}})
	maybeModule := func(w *walk, p *path, m protoreflect.Message, fd protoreflect.FieldDescriptor) {
		if m.Get(fd).String() != "" {
			moduleName(w, p, m, fd)
		}
	}
	add(&catalogv1.GetRunScoresRequest{}, rules{fields: fields{"run_id": reference, "module": maybeModule, "page_size": pageSize, "page_token": text(0, maxPageToken)}})
	add(&catalogv1.RunScore{}, rules{fields: fields{"run_id": reference, "module": maybeModule, "score": text(0, 60)}})
	add(&catalogv1.CompareRunsRequest{}, rules{fields: fields{"first": required, "second": required}})
	add(&catalogv1.ExportPoolRequest{}, rules{
		fields: fields{"question": required, "reason": why}, unchecked: reasons{"with_ages": eitherWay, "with_spectra": eitherWay, "seed": anyFigure},
	})
}
