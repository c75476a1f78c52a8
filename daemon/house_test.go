//go:build !race

// It reads texts in one goroutine.

package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// source is one Go file of the program, with what it imports and calls.
type source struct {
	file    string   // path from the root of the repository
	room    string   // directory of that file
	imports []string // import paths
	calls   []string // members named of time, os and syscall, as "time.Now"; "go", "select" and "chan" where it uses them
}

// rule forbids something to some files, for a reason that the failure prints.
type rule struct {
	name   string
	reason string
	// applies says whether the rule binds a file.
	applies func(s source) bool
	// broken says whether an import path, or a call, is what the rule forbids.
	broken func(s source, what string) bool
}

const module = "beltwarden"

// in says whether a room is one of the directories or lies below one.
func in(room string, dirs ...string) bool {
	return slices.ContainsFunc(dirs, func(d string) bool { return room == d || strings.HasPrefix(room, d+"/") })
}

// from says whether an import path is a package of ours in one of the directories.
func from(what string, dirs ...string) bool {
	room, ours := strings.CutPrefix(what, module+"/")
	return ours && in(room, dirs...)
}

// only returns a rule that lets one place alone import something.
func only(what, reason string, allowed func(s source) bool) rule {
	return rule{
		name: what + " has one importer", reason: reason,
		applies: func(s source) bool { return !allowed(s) },
		broken:  func(_ source, imp string) bool { return imp == what || strings.HasPrefix(imp, what+"/") },
	}
}

const (
	randomness = "math/rand/v2"
	records    = module + "/supervisor/ledger"
	protocol   = module + "/serialio"
)

// pure are the rooms that compute and do nothing else.
var pure = []string{"supervisor/gcode", "supervisor/job", "supervisor/belt", "supervisor/quality", "supervisor/motion", "supervisor/heat", "supervisor/distribution", "supervisor/pace", "supervisor/book", "supervisor/bed", "supervisor/board", "daemon/chart", "daemon/picture"}

// clocks are the calls that ask the time or wait for it.
var clocks = []string{"time.Now", "time.Since", "time.Until", "time.Sleep", "time.After", "time.AfterFunc", "time.NewTimer", "time.NewTicker", "time.Tick"}

// running are the files of the run and of its reading of the ledger: what package supervisor does beside computing.
var running = []string{"connect.go", "cool.go", "load.go", "run.go", "track.go"}

var rules = []rule{
	{
		name: "serialio knows nothing above it", reason: "the line protocol must be testable and replaceable without parts, belts or heat",
		applies: func(s source) bool { return in(s.room, "serialio") },
		broken:  func(_ source, what string) bool { return from(what, "supervisor", "daemon", "config") },
	},
	{
		name: "serialio does not know its simulated machine", reason: "a connection that could tell the rig from a board would prove nothing against it",
		applies: func(s source) bool { return s.room == "serialio" },
		broken:  func(_ source, what string) bool { return from(what, "serialio/rig") },
	},
	{
		name: "the rig imports serialio alone", reason: "a simulated machine that shares code with the run would agree with its mistakes",
		applies: func(s source) bool { return in(s.room, "serialio/rig") },
		broken: func(_ source, what string) bool {
			return strings.HasPrefix(what, module+"/") && what != protocol && !strings.HasPrefix(what, protocol+".") && !from(what, "serialio/rig")
		},
	},
	{
		name: "supervisor does not know the daemon", reason: "the run must work the same behind a command, the screen or a test",
		applies: func(s source) bool { return in(s.room, "supervisor") },
		broken:  func(_ source, what string) bool { return from(what, "daemon", "config", "serialio/rig") },
	},
	{
		name: "config is read by the daemon alone", reason: "the rest takes typed settings of its own, so that it can be used and tested without a file",
		applies: func(s source) bool { return !in(s.room, "daemon", "config") },
		broken:  func(_ source, what string) bool { return from(what, "config") },
	},
	{
		name: "config is a leaf", reason: "settings that depend on what they set can come to depend on themselves",
		applies: func(s source) bool { return in(s.room, "config") },
		broken:  func(_ source, what string) bool { return strings.HasPrefix(what, module+"/") && !from(what, "config") },
	},
	{
		name: "pure rooms stay pure", reason: "what computes without clock, network, logger or store gives the same answer on every replay",
		applies: func(s source) bool { return in(s.room, pure...) },
		broken: func(s source, what string) bool {
			if from(what, pure...) {
				return false
			}
			if in(s.room, "supervisor/book", "supervisor/bed") && strings.HasPrefix(what, records) {
				return what == records+".Open" || what == records+".Ledger" // they fold records, and read none
			}
			if s.room == "supervisor/board" { // it reads replies that others have received
				if what == protocol || what == records || what == records+".BoardSeen" || strings.HasPrefix(what, protocol+".Reply") {
					return false
				}
			}
			switch first, _, _ := strings.Cut(what, "/"); {
			case strings.HasPrefix(what, module+"/"), first == "net", what == "database/sql", what == "log", what == "log/slog", what == "math/rand":
				return true
			case strings.HasPrefix(what, "go.uber.org/zap"), strings.HasPrefix(what, "golang.org/x/sys"), strings.HasPrefix(what, "github.com/"):
				return true
			case strings.HasPrefix(what, randomness):
				// Numbers from a seed of its own are the same on every replay.
				return !slices.Contains([]string{randomness, randomness + ".New", randomness + ".NewPCG", randomness + ".Rand"}, what)
			case what == "os", what == "io/ioutil", what == "syscall":
				return s.room != "supervisor/job" // reads job files, streaming
			case strings.HasPrefix(what, "syscall."):
				// A pipe in a job's place must not be waited for, and what a file was must be
				// distinguished from what it is: a shape of data, no call.
				return what != "syscall.O_NONBLOCK" && what != "syscall.Stat_t"
			}
			return slices.Contains(clocks, what)
		},
	},
	{
		name: "the machine is pure", reason: "a step that waits, shares memory, or asks a clock, a file or the ledger does not give the same answer on every replay",
		applies: func(s source) bool {
			return s.room == "supervisor" && !slices.Contains(running, path.Base(s.file))
		},
		broken: func(_ source, what string) bool {
			switch first, _, _ := strings.Cut(what, "/"); {
			case slices.Contains([]string{"go", "select", "chan", "context", "log", "net", "runtime", "sync", "syscall"}, first):
				return true
			case slices.Contains([]string{"io", "io/fs", "io/ioutil", "os", "os/signal", "os/user", "math/rand", randomness}, what):
				return true
			}
			return strings.HasPrefix(what, "go.uber.org/") || strings.HasPrefix(what, "golang.org/x/sys") || slices.Contains(clocks, what)
		},
	},
	only("modernc.org/sqlite", "the ledger is the one writer of the count; a second door to the file could change it unseen",
		func(s source) bool { return in(s.room, "supervisor/ledger") }),
	only("database/sql", "statements about the count are written in one place, where they are tested against crashes",
		func(s source) bool { return in(s.room, "supervisor/ledger") }),
	only("go.bug.st/serial", "its traps are worked around once, in the file that explains them",
		func(s source) bool { return s.file == "serialio/device.go" }),
	only("gopkg.in/yaml.v3", "its upstream is archived: should it have to be replaced, one package changes",
		func(s source) bool { return s.room == "config" }),
	{
		name: "bad disks and wrong clocks are for tests", reason: "what lets calls of the program fail, or its clock be wrong, must not be within reach of what is shipped",
		applies: func(source) bool { return true },
		broken: func(_ source, what string) bool {
			return from(what, "supervisor/internal/baddisk", "supervisor/wall")
		},
	},
	{
		name: "library packages log nothing", reason: "what went wrong is returned, and logged once, where its class is decided: in the run or the daemon",
		applies: func(s source) bool { return !in(s.room, "daemon") && s.room != "supervisor" },
		broken: func(_ source, what string) bool {
			return what == "log" || what == "log/slog" || strings.HasPrefix(what, "go.uber.org/zap")
		},
	},
	{
		name: "no child processes", reason: "the port's descriptor is inherited, so that a child would keep the machine's line open",
		applies: func(source) bool { return true },
		broken: func(_ source, what string) bool {
			return what == "os/exec" || what == "os.StartProcess" || what == "syscall.ForkExec"
		},
	},
}

// sources returns every Go file of the repository outside tests. Folders that a
// program keeps for its tests or tools (testdata) are not part of the house.
func sources(t *testing.T, root string) []source {
	t.Helper()
	var all []source
	err := filepath.WalkDir(root, func(file string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); name == "testdata" || name != ".." && strings.HasPrefix(name, ".") {
				return fs.SkipDir
			}
			return nil
		}
		name := d.Name()
		rel, err := filepath.Rel(root, file)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") || path.Dir(rel) == "." {
			return nil
		}
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		all = append(all, read(rel, f))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// read collects what a parsed file imports, and what it names of the packages
// that a rule allows in part.
func read(rel string, f *ast.File) source {
	s := source{file: rel, room: path.Dir(rel)}
	known := map[string]string{}
	for _, imp := range f.Imports {
		what, _ := strconv.Unquote(imp.Path.Value)
		s.imports = append(s.imports, what)
		name := path.Base(what)
		if what == randomness {
			name = "rand"
		}
		if imp.Name != nil {
			name = imp.Name.Name
		}
		known[name] = what
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			s.calls = append(s.calls, "go")
		case *ast.SelectStmt:
			s.calls = append(s.calls, "select")
		case *ast.ChanType, *ast.SendStmt:
			s.calls = append(s.calls, "chan")
		case *ast.UnaryExpr:
			if n.Op == token.ARROW {
				s.calls = append(s.calls, "chan")
			}
		case *ast.SelectorExpr:
			if id, ok := n.X.(*ast.Ident); ok && slices.Contains([]string{"time", "os", "syscall", randomness, records, protocol}, known[id.Name]) {
				s.calls = append(s.calls, known[id.Name]+"."+n.Sel.Name)
			}
		}
		return true
	})
	return s
}

// faults returns the broken rules of one file.
func faults(s source) []string {
	var out []string
	for _, r := range rules {
		if !r.applies(s) {
			continue
		}
		for _, what := range slices.Concat(s.imports, s.calls) {
			if r.broken(s, what) {
				out = append(out, s.file+" uses "+what+": "+r.name+", because "+r.reason)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func TestHouseRules(t *testing.T) {
	all := sources(t, "..")
	rooms, files := map[string]bool{}, map[string]bool{}
	for _, s := range all {
		rooms[s.room], files[s.file] = true, true
		for _, fault := range faults(s) {
			t.Error(fault)
		}
	}
	// A rule about a room that has moved would hold for ever and guard nothing.
	for _, room := range []string{"serialio", "serialio/rig", "supervisor", "supervisor/gcode", "supervisor/job", "supervisor/belt", "supervisor/ledger", "config"} {
		if !rooms[room] {
			t.Errorf("no code in %s: the rules about it guard nothing", room)
		}
	}
	for _, name := range running {
		if !files["supervisor/"+name] {
			t.Errorf("no file supervisor/%s: a new one of that name would be exempt", name)
		}
	}
}

// Each rule must be able to fail: for every one a file that breaks it, and none
// of them catches what is allowed.
func TestHouseRulesBite(t *testing.T) {
	for _, c := range []struct{ file, imports, body, want string }{
		{"serialio/x.go", `"beltwarden/supervisor"`, "", "serialio knows nothing above it"},
		{"serialio/x.go", `"beltwarden/serialio/rig"`, "", "does not know its simulated machine"},
		{"serialio/rig/x.go", `"beltwarden/supervisor/gcode"`, "", "the rig imports serialio alone"},
		{"supervisor/x.go", `"beltwarden/daemon/screen"`, "", "supervisor does not know the daemon"},
		{"supervisor/ledger/x.go", `"beltwarden/config"`, "", "config is read by the daemon alone"},
		{"config/x.go", `"beltwarden/serialio"`, "", "config is a leaf"},
		{"supervisor/gcode/x.go", `"net/http"`, "", "pure rooms stay pure"},
		{"supervisor/belt/x.go", `"time"`, "var t = time.Now()", "pure rooms stay pure"},
		{"supervisor/quality/x.go", `clock "time"`, "var t = clock.Now", "pure rooms stay pure"},
		{"supervisor/belt/x.go", `"os"`, "", "pure rooms stay pure"},
		{"supervisor/job/x.go", `"beltwarden/supervisor/ledger"`, "", "pure rooms stay pure"},
		{"supervisor/book/x.go", `"beltwarden/supervisor/ledger"`, "var c ledger.Check", ""},
		{"supervisor/bed/x.go", `"beltwarden/supervisor/ledger"`, "var l, _ = ledger.Open", "pure rooms stay pure"},
		{"supervisor/board/x.go", `"beltwarden/serialio"; "beltwarden/supervisor/ledger"`, "var r serialio.Reply; var s ledger.BoardSeen", ""},
		{"supervisor/board/x.go", `"beltwarden/serialio"`, "var c serialio.Conn", "pure rooms stay pure"},
		{"supervisor/board/x.go", `"beltwarden/supervisor/ledger"`, "var l ledger.Ledger", "pure rooms stay pure"},
		{"supervisor/pace/x.go", `"math/rand/v2"`, "var n = rand.IntN(3)", "pure rooms stay pure"},
		{"supervisor/pace/x.go", `"math/rand/v2"`, "var r = rand.New(rand.NewPCG(1, 2))", ""},
		{"daemon/app/x.go", `_ "modernc.org/sqlite"`, "", "modernc.org/sqlite has one importer"},
		{"supervisor/x.go", `"database/sql"`, "", "database/sql has one importer"},
		{"serialio/conn.go", `"go.bug.st/serial"`, "", "go.bug.st/serial has one importer"},
		{"daemon/ports.go", `"go.bug.st/serial/enumerator"`, "", "go.bug.st/serial has one importer"},
		{"daemon/x.go", `"gopkg.in/yaml.v3"`, "", "gopkg.in/yaml.v3 has one importer"},
		{"config/x.go", `"gopkg.in/yaml.v3"`, "", ""},
		{"supervisor/ledger/x.go", `"go.uber.org/zap"`, "", "library packages log nothing"},
		{"daemon/app/x.go", `"os/exec"`, "", "no child processes"},
		{"daemon/app/x.go", `"os"`, "var f = os.StartProcess", "no child processes"},
		{"serialio/device.go", `"go.bug.st/serial"; "beltwarden/serialio/x"`, "", ""},
		{"serialio/rig/x.go", `"beltwarden/serialio"; "math/rand/v2"`, "", ""},
		{"supervisor/job/x.go", `"os"; "io"; "time"; "beltwarden/supervisor/gcode"`, "var d time.Duration", ""},
		{"supervisor/run.go", `"time"; "sync"; "context"; "beltwarden/serialio"; "beltwarden/supervisor/ledger"`, "var t = time.Now()\nfunc f(c chan int) { go f(c); select { case <-c: } }", ""},
		{"supervisor/hold.go", `"context"`, "", "the machine is pure"},
		{"supervisor/hold.go", `"sync/atomic"`, "", "the machine is pure"},
		{"supervisor/hold.go", `"os"`, "", "the machine is pure"},
		{"supervisor/hold.go", `"net/http"`, "", "the machine is pure"},
		{"supervisor/hold.go", `"go.uber.org/zap"`, "", "the machine is pure"},
		{"supervisor/hold.go", `"time"`, "var t = time.NewTimer", "the machine is pure"},
		{"supervisor/hold.go", "", "func f() { go f() }", "uses go: the machine is pure"},
		{"supervisor/hold.go", "", "func f() { select {} }", "uses select: the machine is pure"},
		{"supervisor/hold.go", "", "var c chan int", "uses chan: the machine is pure"},
		{"supervisor/hold.go", "", "func f() int { return <-s.c }", "uses chan: the machine is pure"},
		{"supervisor/hold.go", "", "func f() { s.c <- 1 }", "uses chan: the machine is pure"},
		{"supervisor/hold.go", `"time"; "beltwarden/serialio"; "beltwarden/supervisor/ledger"`, "var d time.Duration", ""},
		{"daemon/serve.go", `"beltwarden/config"; "beltwarden/supervisor"; "go.uber.org/zap"`, "", ""},
	} {
		f, err := parser.ParseFile(token.NewFileSet(), c.file, "package x\nimport ("+c.imports+")\n"+c.body+"\n", parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		got := strings.Join(faults(read(c.file, f)), "\n")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s with %s: got %q, want %q", c.file, c.imports, got, c.want)
		}
	}
}
