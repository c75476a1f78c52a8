package job

import (
	"bytes"
	"strconv"

	"beltwarden/supervisor/gcode"
)

// signKind is what a comment or command announces.
type signKind uint8

const (
	noSign     signKind = iota
	signNumber          // a layer by its number
	signLayer           // a change of layer
	signHeight          // a layer by its height
	signLine            // a kind of line: skirt, wall, fill
	signObject          // an object
	signKinds
)

// sign is a comment or command by which slicers announce a layer, an object or another kind of
// line.
type sign struct {
	kind   signKind
	number int // of signNumber
	text   string
}

// names describes what the sign announces.
func (s *sign) names() string {
	switch s.kind {
	case signLine:
		return "names its first kind of line"
	case signObject:
		return "names its first object"
	}
	return "names its first layer"
}

// layer reports whether the sign announces a layer.
func (s *sign) layer() bool {
	return s.kind == signNumber || s.kind == signLayer || s.kind == signHeight
}

// readSign finds a sign in a line, parsed into l.
func readSign(text []byte, l *gcode.Line) sign {
	if l.Is('M', 486) {
		if t := l.Text(); len(t) > 1 && t[0]|0x20 == 's' && t[1] >= '0' && t[1] <= '9' {
			return sign{signObject, 0, "M486 " + string(t)}
		}
	}
	if l.Letter == '#' {
		word, _, _ := bytes.Cut(bytes.ToUpper(l.Text()), []byte(" "))
		if bytes.Contains(word, []byte("OBJECT")) && (bytes.Contains(word, []byte("START")) || bytes.Contains(word, []byte("BEGIN"))) {
			return sign{signObject, 0, string(word)}
		}
	}
	at := bytes.IndexAny(text, ";(")
	if at < 0 {
		return sign{}
	}
	text = bytes.TrimSpace(text[at+1:])
	if l.Letter == 0 {
		text = bytes.TrimRight(text, ") \t")
	}
	if len(text) == 0 || len(text) > 80 {
		return sign{}
	}
	s := signOf(text)
	if l.Letter != 0 && s.kind != signNumber && s.kind != signLine {
		return sign{} // comments after a command may explain anything
	}
	s.text = string(text)
	return s
}

// signOf reads a comment. Slicers write, in any case: LAYER:0, layer 1 of 6, LAYER_CHANGE,
// BEFORE_LAYER_CHANGE, CHANGE LAYER, layer num: 1/50, "layer 2, Z = 0.4", Z:0.2, TYPE:SKIRT,
// "printing object clip"; and they write settings such as layer_height = 0.2, which are none.
func signOf(text []byte) sign {
	w := commentWords(text)
	set := bytes.IndexByte(text, '=') >= 0
	if len(w) == 0 {
		return sign{}
	}
	if len(w) == 2 && w[0] == "z" && isDecimal(w[1]) || len(w) == 1 && len(w[0]) > 1 && w[0][0] == 'z' && isDecimal(w[0][1:]) {
		return sign{kind: signHeight}
	}
	switch {
	case (w[0] == "printing" || w[0] == "start" || w[0] == "begin") && len(w) > 1 && w[1] == "object", w[0] == "mesh" && len(w) > 1 && w[1] != "nonmesh":
		return sign{kind: signObject}
	case isLineKind(w):
		return sign{kind: signLine}
	}
	k := 0
	for k < len(w) && w[k] != "layer" {
		switch w[k] {
		case "before", "after", "begin", "start", "new", "next", "of", "the", "move", "to", "change", "now", "printing":
		default:
			return sign{}
		}
		k++
	}
	if k == len(w) {
		return sign{}
	}
	changes := k > 0 && w[k-1] == "change"
	w = w[k+1:]
	switch {
	case len(w) == 0 && changes, len(w) == 1 && w[0] == "change", len(w) == 2 && w[0] == "change" && isNumber(w[1]):
		return sign{kind: signLayer}
	case len(w) == 0:
		return sign{}
	case len(w) == 1 && isDecimal(w[0]) && !isNumber(w[0]) && !set:
		return sign{kind: signHeight}
	case len(w) >= 2 && len(w) <= 3 && !isNumber(w[0]) && w[len(w)-2] == "z" && isDecimal(w[len(w)-1]):
		return sign{kind: signHeight}
	}
	switch w[0] {
	case "number", "num", "no", "nr":
		for len(w) > 0 && !isNumber(w[0]) {
			w = w[1:]
		}
	}
	if len(w) == 0 || !isNumber(w[0]) {
		return sign{}
	}
	n, err := strconv.Atoi(w[0])
	rest := w[1:]
	switch {
	case err != nil:
		return sign{}
	case len(rest) == 0, len(rest) == 1 && isNumber(rest[0]), len(rest) == 2 && rest[0] == "of" && isNumber(rest[1]):
		if set {
			return sign{}
		}
	case len(rest) >= 2 && (rest[0] == "z" || rest[0] == "height" || rest[0] == "at") && isDecimal(rest[len(rest)-1]):
	default:
		return sign{}
	}
	return sign{kind: signNumber, number: n}
}

// commentWords are the words and numbers of a comment in lower case; a sign belongs to its number
// where no letter or digit stands before it.
func commentWords(text []byte) []string {
	var words []string
	from := -1
	text = bytes.ToLower(text)
	for k := 0; k <= len(text); k++ {
		in := false
		if k < len(text) {
			c := text[k]
			in = c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '.' && from >= 0 && k+1 < len(text) && text[k+1] >= '0' && text[k+1] <= '9' ||
				c == '-' && from < 0 && k > 0 && (text[k-1] == ':' || text[k-1] == ' ' || text[k-1] == '=') && k+1 < len(text) && text[k+1] >= '0' && text[k+1] <= '9'
		}
		switch {
		case in && from < 0:
			from = k
		case !in && from >= 0:
			words = append(words, string(text[from:k]))
			from = -1
		}
	}
	return words
}

func isNumber(word string) bool {
	_, err := strconv.Atoi(word)
	return err == nil
}

func isDecimal(word string) bool {
	_, err := strconv.ParseFloat(word, 64)
	return err == nil && word[len(word)-1] >= '0' && word[len(word)-1] <= '9' && word[0] != 'i' && word[0] != 'n'
}

// isLineKind reports whether words name a kind of line that a part is made of.
func isLineKind(w []string) bool {
	kind := false
	for k, word := range w {
		switch word {
		case "skirt", "brim", "raft", "wall", "walls", "perimeter", "perimeters", "shell", "outline", "infill", "fill", "skin", "surface", "support":
			kind = true
		case "type", "feature", "line", "kind", "of":
			if kind || k > 2 {
				return false
			}
		case "outer", "inner", "external", "internal", "exterior", "interior", "solid", "sparse", "top", "bottom", "overhang", "first":
		default:
			return false
		}
	}
	return kind && len(w) <= 5
}
