package doctor

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/datafolder"
)

func (e *exam) store(ctx context.Context) {
	const check = "store"
	path := datafolder.Store(e.Config.Data)
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		e.add(check, Attention, "none if the installation is new: the first start makes it; else name the right folder with --data, or restore a backup", "%s isn't there", path)
		return
	case err != nil:
		e.add(check, Fault, "run this as the core's user", "%v", err)
		return
	}
	if mode := info.Mode().Perm(); mode&0o077 != 0 {
		e.add(check, Fault, "chmod 0600 "+path, "others may read the records (mode %04o)", mode)
	}
	if data, err := os.Stat(e.Config.Data); err == nil && ownerOf(data) != ownerOf(info) {
		e.add(check, Fault, fmt.Sprintf("chown %d %s", ownerOf(data), path), "%s belongs to user %d, the data folder to user %d", path, ownerOf(info), ownerOf(data))
	}
	state, err := e.ReadStore(ctx, path)
	e.state, e.storeRead = state, err == nil
	switch {
	case err != nil:
		e.add(check, Fault, "keep the folder as it is, and restore the last backup beside it", "can't be read: %v", err)
	case state.Schema > state.Known:
		e.add(check, Fault, "run the newer version of the program again, or restore a backup from before", "schema version %d is of a newer program; this one knows up to %d", state.Schema, state.Known)
	case state.Schema < state.Known:
		e.add(check, Attention, "make a backup before the core next starts: the way up is one-way", "schema version %d; the next start brings it to %d", state.Schema, state.Known)
	default:
		e.add(check, OK, "", "whole, schema version %d, %s", state.Schema, size(uint64(info.Size())))
	}
}

// healthTimeout bounds the question whether a core serves.
const healthTimeout = 3 * time.Second

func (e *exam) core(ctx context.Context) {
	const check = "core"
	running, err := held(datafolder.Store(e.Config.Data) + ".lock")
	if err != nil {
		e.add(check, Attention, "run this as the core's user", "can't tell whether one runs: %v", err)
		return
	}
	address, withTLS := e.Config.HealthAddress()
	if _, port, err := net.SplitHostPort(address); err == nil && port == "0" {
		e.add(check, OK, "", "%s; which port it has can't be told, since any free one is configured", map[bool]string{true: "runs", false: "doesn't run"}[running])
		return
	}
	certificate := ""
	if withTLS {
		certificate = e.Config.TLS.Cert
	}
	asking, cancel := context.WithTimeout(ctx, healthTimeout)
	defer cancel()
	serving, err := e.AskHealth(asking, address, certificate)
	switch {
	case running && err != nil:
		e.add(check, Fault, "look into its log; is it configured as this was?", "runs, and doesn't answer at %s: %v", address, err)
	case running && !serving:
		e.add(check, Attention, "wait, and look into its log if it goes on", "runs, and says at %s that it doesn't serve yet or any more", address)
	case running:
		e.add(check, OK, "", "runs and serves at %s", address)
	case err == nil:
		e.add(check, Attention, "give each core an address of its own", "doesn't run on this data folder, but another answers at %s", address)
	default:
		e.add(check, Attention, "start it, unless it is stopped on purpose", "doesn't run")
	}
}

// held tells whether a process holds the lock. It is tried for a moment, by a shared lock that no other doctor minds.
func held(path string) (bool, error) {
	file, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer func() { _ = file.Close() }() // lets go of it
	err = unix.Flock(int(file.Fd()), unix.LOCK_SH|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return true, nil
	}
	return false, err
}

func (e *exam) modules() {
	const check = "modules"
	folder := datafolder.Modules(e.Config.Data)
	installed, err := catalog.List(folder)
	for _, line := range lines(err) {
		e.add(check, Fault, "install that module again, after removing the damaged folder", "%s", line)
	}
	faults := len(lines(err))
	kinds := map[string]bool{}
	for _, module := range installed {
		if err := checkSum(module); err != nil {
			faults++
			e.add(check, Fault, "install that module again, after removing the damaged folder", "%s %s (%.12s): %v", module.Name, module.Version, module.Digest, err)
			continue
		}
		kinds[module.Kind] = true
	}
	err = filepath.WalkDir(folder, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := entry.Info()
		if err != nil {
			return err
		}
		if entry.Type()&fs.ModeSymlink == 0 && info.Mode().Perm()&0o022 != 0 {
			faults++
			e.add(check, Fault, "chmod go-w "+path+", and install the module again: it may have been changed", "others may write to %s (mode %04o)", path, info.Mode().Perm())
		}
		return nil
	})
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		faults++
		e.add(check, Fault, "run this as the core's user", "%v", err)
	}
	if below, err := e.System.FileSystem(nearestThere(folder)); err == nil && below.NoExec {
		faults++
		e.add(check, Fault, "mount it without noexec, or move the data folder", "programs can't be run from %s (noexec)", folder)
	}
	if faults > 0 {
		return
	}
	var missing []string
	for _, kind := range sdk.Kinds() {
		if !kinds[kind] {
			missing = append(missing, kind)
		}
	}
	switch {
	case len(installed) == 0:
		e.add(check, Attention, "commonvatd module install FOLDER... --data "+e.Config.Data, "none is installed; records are kept, questions can't be answered")
	case len(missing) > 0:
		e.add(check, Attention, "install one, if such questions are asked", "%d installed, none of kind %s", len(installed), strings.Join(missing, ", "))
	default:
		e.add(check, OK, "", "%d installed, as their digests say", len(installed))
	}
}

func lines(err error) []string {
	if err == nil {
		return nil
	}
	return strings.Split(err.Error(), "\n")
}

func checkSum(module catalog.Installed) error {
	file, err := os.Open(module.Executable)
	if err != nil {
		return err
	}
	defer func() { _ = file.Close() }()
	h := sha256.New()
	if _, err := io.Copy(h, file); err != nil {
		return err
	}
	if !bytes.Equal(h.Sum(nil), module.SHA256) {
		return errors.New("the program isn't the one that was installed")
	}
	return module.CheckFiles()
}

func (e *exam) certificate() {
	const check = "certificate"
	path := e.Config.TLS.Cert
	if path == "" {
		e.add(check, OK, "", "none: members reach the core from this machine alone")
		return
	}
	data, err := os.ReadFile(path)
	if err != nil {
		e.add(check, Fault, "put the file there, readable by the core's user", "%v", err)
		return
	}
	block, _ := pem.Decode(data)
	if block == nil {
		e.add(check, Fault, "put the chain there in PEM", "%s holds no certificate", path)
		return
	}
	leaf, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		e.add(check, Fault, "put the chain there in PEM", "%s: %v", path, err)
		return
	}
	now, day := e.Now(), time.DateOnly
	names := append([]string{}, leaf.DNSNames...)
	for _, ip := range leaf.IPAddresses {
		names = append(names, ip.String())
	}
	host, _, err := net.SplitHostPort(e.Config.Listen)
	if err != nil {
		host = ""
	}
	ip := net.ParseIP(host)
	switch {
	case now.After(leaf.NotAfter):
		e.add(check, Fault, "get a new one, and start the core again", "%s ended on %s", path, leaf.NotAfter.Format(day))
	case now.Before(leaf.NotBefore):
		e.add(check, Fault, "look at the clock; else wait, or get another", "%s begins on %s only", path, leaf.NotBefore.Format(day))
	case len(names) == 0:
		e.add(check, Fault, "get one with the core's names as subject alternative names; clients look nowhere else", "%s names no server", path)
	case now.Add(CertificateWarning).After(leaf.NotAfter):
		e.add(check, Attention, "get a new one, and start the core again", "%s ends on %s", path, leaf.NotAfter.Format(day))
	case host != "" && (ip == nil || !ip.IsUnspecified()) && leaf.VerifyHostname(host) != nil:
		e.add(check, Attention, "members must reach the core by a name that the certificate has", "it is for %s, and the core listens on %s", strings.Join(names, ", "), host)
	default:
		e.add(check, OK, "", "for %s, until %s", strings.Join(names, ", "), leaf.NotAfter.Format(day))
	}
}

// written is a time before which this program wasn't written: a clock that shows an earlier one is wrong.
var written = time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)

func (e *exam) clock() {
	const check = "clock"
	const do = "set the clock: when a record was made, and when a token ends, go by it"
	now := e.Now()
	if now.Before(written) {
		e.add(check, Fault, do, "it shows %s", now.UTC().Format(time.RFC3339))
		return
	}
	for _, path := range []string{datafolder.Store(e.Config.Data), datafolder.Store(e.Config.Data) + "-wal"} {
		if info, err := os.Stat(path); err == nil && info.ModTime().After(now.Add(clockSlack)) {
			e.add(check, Fault, do, "it shows %s, and %s was written at %s", now.UTC().Format(time.RFC3339), path, info.ModTime().UTC().Format(time.RFC3339))
			return
		}
	}
	switch synchronised, err := e.System.ClockSynchronised(); {
	case err != nil:
		e.add(check, OK, "", "%s; whether it follows a reference can't be told", now.UTC().Format(time.RFC3339))
	case !synchronised:
		e.add(check, Attention, "let a time service set it", "%s; it follows no reference", now.UTC().Format(time.RFC3339))
	default:
		e.add(check, OK, "", "%s, and follows a reference", now.UTC().Format(time.RFC3339))
	}
}

func (e *exam) backup() {
	const check = "backup"
	const do = "make one and take it to another machine; see deploy/README.md"
	path := datafolder.LastBackup(e.Config.Data)
	data, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		e.add(check, Attention, do, "none was made of this data folder")
		return
	}
	var last struct {
		Time time.Time `json:"time"`
	}
	if err == nil {
		err = json.Unmarshal(data, &last)
	}
	age := e.Now().Sub(last.Time)
	switch {
	case err != nil:
		e.add(check, Attention, do, "%s can't be read: %v", path, err)
	case last.Time.IsZero():
		e.add(check, Attention, do, "%s doesn't say when", path)
	case age < -clockSlack:
		e.add(check, Attention, "look at the clock", "the last one was made at %s, which is yet to come", last.Time.UTC().Format(time.RFC3339))
	case age > BackupWarning:
		e.add(check, Attention, do, "the last one is %d days old", int(age.Hours()/24))
	default:
		e.add(check, OK, "", "the last one was made at %s", last.Time.UTC().Format(time.RFC3339))
	}
}

// machine reports what the kernel has for keeping modules apart, and how many files may be open.
func (e *exam) machine() {
	e.sandbox()
	files, err := e.System.OpenFiles()
	switch {
	case err != nil:
		e.add("open files", Attention, "", "can't be told: %v", err)
	case files < OpenFilesWarning:
		e.add("open files", Attention, fmt.Sprintf("raise the limit for the core to %d or more", OpenFilesWarning), "at most %d here", files)
	default:
		e.add("open files", OK, "", "at most %d here", files)
	}
}

// sandbox reports how modules are held, and what of it this kernel can't do.
func (e *exam) sandbox() {
	kernel, profile := e.System.Kernel(), e.Config.Modules.Sandbox
	has := fmt.Sprintf("Landlock ABI %d", kernel.LandlockABI)
	if kernel.LandlockABI == 0 {
		has = "no Landlock"
	}
	if kernel.Seccomp {
		has += ", seccomp filters"
	} else {
		has += ", no seccomp filters that are known here"
	}
	left := strings.Join(sandbox.Policy{Profile: profile}.Report(kernel).NotEnforced, "; ")
	weak := kernel.CheckProduction()
	const better = "use a kernel of 5.13 or later with Landlock and seccomp switched on"
	switch {
	case profile == sandbox.Production && weak != nil:
		e.add("sandbox", Fault, better+", or set modules.sandbox to local and accept less", "%s: under production no module is started", has)
	case profile == "" || profile == sandbox.Off:
		e.add("sandbox", Attention, "set modules.sandbox to production", "%s, but it is off: modules may do all that the core's user may", has)
	case weak != nil:
		e.add("sandbox", Attention, better, "%s; not refused to modules: %s", has, left)
	default:
		e.add("sandbox", OK, "", "%s, profile %s; still not refused to modules: %s", has, profile, left)
	}
}
