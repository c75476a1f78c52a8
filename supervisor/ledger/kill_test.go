package ledger

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"
)

// The test binary runs itself with this variable set to play the process that is killed or starved.
const roleVariable = "LEDGER_TEST_ROLE"

func TestMain(m *testing.M) {
	switch os.Getenv(roleVariable) {
	case "writer":
		os.Exit(writeUntilKilled(os.Args[1]))
	case "starved":
		os.Exit(writeUntilFull(os.Args[1]))
	}
	code := m.Run()
	if err := goleak.Find(); code == 0 && err != nil {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

// again starts this test binary in a role.
func again(t testing.TB, role string, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, args...)
	cmd.Env = append(os.Environ(), roleVariable+"="+role)
	cmd.Stderr = os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} // it may write until it is killed
	return cmd
}

// writeUntilKilled commits cycles of three records each, and says on its output what has been acknowledged. Every commit
// leaves three notes that belong together.
func writeUntilKilled(path string) int {
	ctx := context.Background()
	l, err := Open(path, Options{})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	next, err := l.NextIDs(ctx)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	if next.Lot == 1 {
		err = l.Commit(ctx, LotOpened{clips(1, 1_000_000)})
	}
	if last, lerr := l.LastCycle(ctx); err == nil && lerr == nil && last != nil && last.State == CycleStateBegun {
		err = l.Commit(ctx, CycleInterrupted{Seq: last.Seq, Reason: "killed"})
	}
	for cycle := next.Cycle; err == nil; cycle++ {
		note := EventNoted{"group", strconv.FormatInt(cycle, 10)}
		if err = l.Commit(ctx, note, CycleBegun{Seq: cycle, LotID: 1, Ordinal: int(cycle)}, note); err != nil {
			break
		}
		fmt.Printf("begun %d\n", cycle)
		if err = l.Commit(ctx, note, CycleMade{Seq: cycle, Evidence: EvidenceConfirmed}, note); err != nil {
			break
		}
		fmt.Printf("made %d\n", cycle)
	}
	fmt.Fprintln(os.Stderr, err)
	return 1
}

// Rounds of SIGKILL at random moments: every acknowledged commit is there, at most the one in flight beside it, and none
// by half.
func TestKilledWhileCommitting(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	const rounds = 20
	acknowledged := 0
	for round := range rounds {
		cmd := again(t, "writer", path)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// The first rounds strike while the file is being made and opened, the others some commits later.
		strike := func(within time.Duration) {
			time.AfterFunc(time.Duration(rand.Int64N(int64(within))), func() { _ = cmd.Process.Kill() })
		}
		after := 0
		if round < 5 {
			strike(20 * time.Millisecond)
		} else {
			after = 1 + rand.IntN(60)
		}
		said := 0
		var last acknowledgement
		for lines := bufio.NewScanner(out); lines.Scan(); {
			word, number, _ := strings.Cut(lines.Text(), " ")
			n, err := strconv.ParseInt(number, 10, 64)
			if err != nil {
				continue // torn by the kill: not an acknowledgement
			}
			acknowledged++
			last = acknowledgement{word, n}
			if said++; said == after {
				strike(3 * time.Millisecond)
			}
		}
		if err := cmd.Wait(); cmd.ProcessState.ExitCode() != -1 {
			t.Fatalf("round %d: the writer ended by itself: %v", round, err)
		}
		lookAfterKill(t, path, round, last)
	}
	t.Logf("%d rounds, %d acknowledged commits", rounds, acknowledged)
	if acknowledged < 100 {
		t.Errorf("only %d commits were acknowledged: the kills came too early to show anything", acknowledged)
	}
}

// acknowledgement is the last thing that a killed writer said.
type acknowledgement struct {
	word  string // begun, made or nothing
	cycle int64
}

// lookAfterKill expects what was acknowledged or that and the one commit after it.
func lookAfterKill(t *testing.T, path string, round int, said acknowledgement) {
	t.Helper()
	l, err := Open(path, Options{})
	if err != nil {
		t.Fatalf("round %d: %v", round, err)
	}
	defer checkAndClose(t, l)
	ctx := context.Background()
	var cycle int64
	var state string
	if last := must(l.LastCycle(ctx))(t); last != nil {
		cycle, state = last.Seq, last.State
	}
	here := cycle == said.cycle && (state == CycleStateMade || state == said.word)
	next := said.word == CycleStateMade && cycle == said.cycle+1 && state == CycleStateBegun
	if said.word != "" && !here && !next {
		t.Errorf("round %d: %s %d was acknowledged, the ledger has cycle %d %s", round, said.word, said.cycle, cycle, state)
	}
	groups := map[string]int{}
	for _, e := range must(l.Events(ctx, 0, 0))(t) {
		groups[e.Text]++
	}
	for cycle, n := range groups {
		if n%2 != 0 {
			t.Errorf("round %d: cycle %s has %d notes: a commit was written by half", round, cycle, n)
		}
	}
}
