package packs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// MaxInForce is how much data of one module may be in force: as much as a call may name.
const MaxInForce = 16

// mostInForce is that for a kind of module. A mordant module answers from one table of facts.
func mostInForce(kind string) int {
	if kind == pipeline.KindMordant {
		return 1
	}
	return MaxInForce
}

// Asker opens modules to manage their data; *pipeline.Pipeline does.
type Asker interface {
	OpenData(module string) (*pipeline.DataModule, error)
}

// Config is what a keeper needs.
type Config struct {
	Folder *Folder
	Rows   store.Packs
	Asker  Asker
	// Serving names the modules that run now and take data; may be nil.
	Serving func() []string
	// Log may be nil, Clock too.
	Log   *slog.Logger
	Clock func() time.Time
}

// Keeper keeps which data is in force. It is safe for use by several goroutines.
type Keeper struct {
	folder  *Folder
	rows    store.Packs
	asker   Asker
	serving func() []string
	log     *slog.Logger
	clock   func() time.Time

	changing sync.Mutex // one change at a time
	met      sync.Map   // name of a module to the digest of the build that was met last
}

// New makes a keeper.
func New(config Config) *Keeper {
	k := &Keeper{folder: config.Folder, rows: config.Rows, asker: config.Asker, serving: config.Serving, log: config.Log, clock: config.Clock}
	if k.serving == nil {
		k.serving = func() []string { return nil }
	}
	if k.log == nil {
		k.log = slog.New(slog.DiscardHandler)
	}
	if k.clock == nil {
		k.clock = time.Now
	}
	return k
}

// InForce is the digests of what is in force for a module, sorted by name. Empty means that nothing is checked, and must be told as that; it must
// not be put to the module, which would answer from what it came with. Errors: those of a module that isn't running or takes no data, and of the store:
// nothing is known then, and nothing checked.
func (k *Keeper) InForce(ctx context.Context, module string) ([]string, error) {
	m, err := k.open(module)
	if err != nil {
		return nil, err
	}
	defer m.Close()
	if err := k.meet(ctx, m); err != nil {
		return nil, err
	}
	rows, err := k.rows.Packs(ctx)
	if err != nil {
		return nil, err
	}
	var digests []string
	for _, p := range rows { // sorted by name
		if p.Module == module && p.InForce {
			digests = append(digests, p.Digest)
		}
	}
	return digests, nil
}

// open holds a module by its own name, not by its kind or digest.
func (k *Keeper) open(module string) (*pipeline.DataModule, error) {
	m, err := k.asker.OpenData(module)
	switch {
	case errors.Is(err, catalog.ErrNoModule):
		return nil, fmt.Errorf("module %.80s: %w", module, trial.ErrNotFound)
	case errors.Is(err, pipeline.ErrTakesNoData):
		return nil, fmt.Errorf("%w: %w", trial.ErrConflict, err)
	case err != nil:
		return nil, err
	case m.Identity().GetName() != module:
		m.Close()
		return nil, fmt.Errorf("module %.80s: %w", module, trial.ErrNotFound)
	}
	return m, nil
}

// server is who puts in force what came with a module.
var server = store.Actor{Member: store.Server, Method: "module started"}

// meet takes in what a build came with, once. It comes into force unless a person chose for its name: then that stands.
func (k *Keeper) meet(ctx context.Context, m *pipeline.DataModule) error {
	id := m.Identity()
	if known, ok := k.met.Load(id.GetName()); ok && known == id.GetDigest() {
		return nil
	}
	own, err := m.Own(ctx)
	if err != nil {
		return err
	}
	k.changing.Lock()
	defer k.changing.Unlock()
	if known, ok := k.met.Load(id.GetName()); ok && known == id.GetDigest() {
		return nil
	}
	rows, err := k.rows.Packs(ctx)
	if err != nil {
		return err
	}
	for _, data := range own {
		if _, err := k.folder.Keep(data.Content); err != nil {
			return err
		}
		chosen, known := false, store.PackRow{}
		inForce := 0
		for _, p := range rows {
			if p.Module != id.GetName() {
				continue
			}
			chosen = chosen || p.Name == data.Name && p.By != store.Server
			if p.Digest == data.Digest {
				known = p
			}
			if p.InForce && p.Name != data.Name {
				inForce++
			}
		}
		row := store.PackRow{
			Module: id.GetName(), Kind: id.GetKind(), Digest: data.Digest, Name: data.Name, Version: data.Version, Bytes: len(data.Content),
			Own: true, InForce: !chosen && inForce < mostInForce(id.GetKind()), At: k.clock(), By: store.Server,
		}
		switch {
		case known.Digest != "" && (chosen || known.InForce): // as it was
			continue
		case known.Digest != "" && !row.InForce:
			continue
		}
		act := "came with the module, in force"
		if !row.InForce {
			act = "came with the module, not in force"
			k.log.Warn("data that came with a module is not in force: somebody chose otherwise", "module", row.Module, "name", row.Name, "data", row.Digest)
		}
		if err := k.rows.PutPack(ctx, server, row, act, id.GetName()+" "+id.GetVersion()); err != nil {
			return err
		}
		if rows, err = k.rows.Packs(ctx); err != nil {
			return err
		}
	}
	k.met.Store(id.GetName(), id.GetDigest())
	return nil
}

// List reads all rows, and names the modules that run, take data and have none in force.
func (k *Keeper) List(ctx context.Context) (rows []store.PackRow, without []string, err error) {
	serving := k.serving()
	for _, name := range serving {
		m, err := k.open(name)
		if err == nil {
			err = k.meet(ctx, m)
			m.Close()
		}
		if err != nil { // it shows among the modules; what is known is told
			k.log.Warn("what a module came with isn't known", "module", name, "error", err)
		}
	}
	rows, err = k.rows.Packs(ctx)
	if err != nil {
		return nil, nil, err
	}
	for _, name := range serving {
		if !slices.ContainsFunc(rows, func(p store.PackRow) bool { return p.Module == name && p.InForce }) {
			without = append(without, name)
		}
	}
	return rows, without, nil
}

// Get reads one piece of data whole. Errors: trial.ErrNotFound; ErrDamaged.
func (k *Keeper) Get(ctx context.Context, module, digest string) (store.PackRow, []byte, error) {
	row, err := k.row(ctx, module, digest)
	if err != nil {
		return store.PackRow{}, nil, err
	}
	content, err := k.folder.Content(digest)
	return row, content, err
}

func (k *Keeper) row(ctx context.Context, module, digest string) (store.PackRow, error) {
	rows, err := k.rows.Packs(ctx)
	if err != nil {
		return store.PackRow{}, err
	}
	at := slices.IndexFunc(rows, func(p store.PackRow) bool { return p.Module == module && p.Digest == digest })
	if at < 0 {
		return store.PackRow{}, fmt.Errorf("pack %.64s of %.80s: %w", digest, module, trial.ErrNotFound)
	}
	return rows[at], nil
}

// Add keeps data and puts it in force in place of what bears its name, in this order: the module takes it, it is on disk, the choice is kept with its entry in
// the audit trail; from then on questions name it. Errors: trial.ErrInvalid with every fault that the module finds; trial.ErrNotFound for the module;
// trial.ErrConflict for a module that takes no data, and for a name and version that other content bears; those of a module that isn't running.
func (k *Keeper) Add(ctx context.Context, by store.Actor, module string, content []byte, reason string) (store.PackRow, error) {
	return k.putInForce(ctx, by, module, content, "added", reason)
}

// Activate puts data that is kept in force again. Errors: trial.ErrNotFound; as for Add.
func (k *Keeper) Activate(ctx context.Context, by store.Actor, module, digest, reason string) (store.PackRow, error) {
	_, content, err := k.Get(ctx, module, digest)
	if err != nil {
		return store.PackRow{}, err
	}
	return k.putInForce(ctx, by, module, content, "activated", reason)
}

func (k *Keeper) putInForce(ctx context.Context, by store.Actor, module string, content []byte, act, reason string) (store.PackRow, error) {
	m, err := k.open(module)
	if err != nil {
		return store.PackRow{}, err
	}
	defer m.Close()
	if err := k.meet(ctx, m); err != nil {
		return store.PackRow{}, err
	}
	data, err := m.Try(ctx, content) // which may take its time, and holds up no other change
	if err != nil {
		return store.PackRow{}, faultsOf(err)
	}
	k.changing.Lock()
	defer k.changing.Unlock()
	rows, err := k.rows.Packs(ctx)
	if err != nil {
		return store.PackRow{}, err
	}
	row := store.PackRow{
		Module: module, Kind: m.Identity().GetKind(), Digest: data.Digest, Name: data.Name, Version: data.Version, Bytes: len(content),
		InForce: true, At: k.clock(), By: by.Member,
	}
	others := 0
	for _, p := range rows {
		switch {
		case p.Module != module:
		case p.Digest == data.Digest && p.InForce:
			return p, nil
		case p.Digest == data.Digest:
			row.Own = p.Own
		case p.Name == data.Name && p.Version == data.Version:
			return store.PackRow{}, fmt.Errorf("%w: %s %s is %.12s already, with other content; what is changed is a new version", trial.ErrConflict, p.Name, p.Version, p.Digest)
		case p.InForce && p.Name != data.Name:
			others++
		}
	}
	if others >= mostInForce(row.Kind) {
		return store.PackRow{}, fmt.Errorf("%w: at most %d may be in force for %s: retire one of another name first, or give this one its name", trial.ErrConflict, mostInForce(row.Kind), module)
	}
	if _, err := k.folder.Keep(content); err != nil {
		return store.PackRow{}, err
	}
	if err := k.rows.PutPack(ctx, by, row, act, reason); err != nil {
		return store.PackRow{}, err
	}
	return row, nil
}

// Retire takes data out of force. The module need not run. Errors: trial.ErrNotFound; trial.ErrConflict for what isn't in force.
func (k *Keeper) Retire(ctx context.Context, by store.Actor, module, digest, reason string) (store.PackRow, error) {
	k.changing.Lock()
	defer k.changing.Unlock()
	row, err := k.row(ctx, module, digest)
	if err != nil {
		return store.PackRow{}, err
	}
	if !row.InForce {
		return store.PackRow{}, fmt.Errorf("%w: pack %.12s of %s is not in force", trial.ErrConflict, digest, module)
	}
	row.InForce, row.At, row.By = false, k.clock(), by.Member
	return row, k.rows.PutPack(ctx, by, row, "retired", reason)
}

// faultsOf makes a module's refusal of data into faults of the caller's; other errors stay.
func faultsOf(err error) error {
	var refused *pipeline.ModuleError
	if !errors.As(err, &refused) || !errors.Is(refused.Class, pipeline.ErrModuleRefused) || status.Code(refused.Cause) != codes.InvalidArgument {
		return err
	}
	var faults trial.Faults
	for _, detail := range status.Convert(refused.Cause).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				faults = append(faults, &trial.FieldFault{Field: v.GetField(), Text: v.GetDescription()})
			}
		}
	}
	if len(faults) == 0 {
		faults = trial.Faults{{Field: "content", Text: refused.Reason}}
	}
	return faults
}
