package rig

import (
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const boardsFile = "../../testdata/boards.txt"

func TestBoardsFile(t *testing.T) {
	f, err := os.Open(boardsFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got, err := ReadBoards("boards.txt", f)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(Variations(), got); d != "" {
		t.Errorf("the table and the file differ (-table +file):\n%s", d)
	}
}

func TestReadBoardsErrors(t *testing.T) {
	text := "queue 4\nboard a\nqueue four\nqueue\nspeed 3\nresend shouted\nplanner 8\nplanner 9\n" +
		"limit-x 5\nboard a\nreceive-buffer 2\n"
	_, err := ReadBoards("b", strings.NewReader(text))
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{
		`b:1: setting "queue" before`, `b:3: queue "four"`, `b:4: want two words`, `b:5: setting "speed"`,
		`b:6: resend "shouted"`, `b:8: setting "planner" comes twice`, `b:9: limit-x "5"`,
		`b:10: board "a" comes twice`, `b:11: board a ends here: board receive buffer is 2`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("error does not say %q:\n%v", want, err)
		}
	}
}
