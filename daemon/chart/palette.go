package chart

import (
	"fmt"
	"strings"
)

// colours of one scheme, as #rrggbb. Marks are from the eight colours of Okabe and
// Ito, "Color Universal Design" (2008), which people with the common forms of colour
// blindness distinguish; which of them on which ground is settled by the contrast
// of WCAG 2.2: 4.5:1 for text (1.4.3), 3:1 for marks (1.4.11).
type colours struct {
	ground, belt         string // what everything lies on; the belt
	ink, soft, grid      string // text and lines; lesser text; lines that only guide the eye
	first, second, third string // marks
	firstPale            string // an area bounded by a line of the first
}

var (
	light = colours{ground: "#ffffff", belt: "#f1f3f5", ink: "#1b1f24", soft: "#545c66", grid: "#d5dae0",
		first: "#0072b2", second: "#d55e00", third: "#008a64", firstPale: "#d3e7f3"}
	dark = colours{ground: "#14181d", belt: "#1f252c", ink: "#e8ebee", soft: "#a9b2bc", grid: "#39424c",
		first: "#56b4e9", second: "#e69f00", third: "#2fb68c", firstPale: "#20394b"}
)

// Style is the style sheet of every drawing, for light and for dark screens. Paper is
// light.
func Style() string {
	var b strings.Builder
	fmt.Fprintf(&b, ".chart{max-width:100%%;height:auto;font-family:system-ui,sans-serif;font-size:%dpx}\n", TextPX)
	b.WriteString(shapeRules)
	b.WriteString(light.rules())
	b.WriteString("@media screen and (prefers-color-scheme:dark){\n" + dark.rules() + "}\n")
	return b.String()
}

// shapeRules is what does not depend on the scheme: widths and dashes.
const shapeRules = `.chart-head{font-weight:600}
.chart-line,.chart-edge,.chart-first,.chart-second,.chart-third,.chart-grid,.chart-thin,.chart-part,.chart-made,.chart-plain{fill:none}
.chart-line,.chart-part,.chart-made,.chart-first,.chart-second,.chart-third{stroke-width:1.5}
.chart-edge{stroke-width:4}
.chart-grid,.chart-thin{stroke-width:1}
.chart-second,.chart-dashes{stroke-dasharray:7 4}
.chart-dots{stroke-dasharray:2 3}
.chart-dashdot{stroke-dasharray:10 3 2 3}
.chart-mark,.chart-plain{stroke-dasharray:none}
`

// rules gives each class its colours.
func (c colours) rules() string {
	return fmt.Sprintf(`.chart-ground{fill:%[1]s}
.chart-belt{fill:%[2]s}
.chart-text,.chart-head{fill:%[3]s}
.chart-soft{fill:%[4]s}
.chart-line,.chart-edge{stroke:%[3]s}
.chart-thin{stroke:%[4]s}
.chart-grid{stroke:%[5]s}
.chart-part,.chart-made,.chart-first{stroke:%[6]s}
.chart-part,.chart-band{fill:%[9]s}
.chart-second{stroke:%[7]s}
.chart-third{stroke:%[8]s}
.chart-solid{fill:%[3]s}
.chart-first.chart-mark{fill:%[6]s}
.chart-second.chart-mark{fill:%[7]s}
.chart-third.chart-mark{fill:%[8]s}
`, c.ground, c.belt, c.ink, c.soft, c.grid, c.first, c.second, c.third, c.firstPale)
}
