package report

import (
	"fmt"
	"reflect"
)

// newestRows returns the rows of a list that the page shows: the newest, in their order.
func newestRows(list any) any {
	v := reflect.ValueOf(list)
	if n := v.Len(); n > maxRows {
		return v.Slice(n-maxRows, n).Interface()
	}
	return list
}

// hiddenRows says how many rows the page does not show; nothing when it shows all.
func hiddenRows(list any) string {
	n := reflect.ValueOf(list).Len()
	if n <= maxRows {
		return ""
	}
	return fmt.Sprintf("The newest %d of %d are shown; all are in the report's CSV and JSON form, and in every figure.", maxRows, n)
}

// longClass gives a list that may be cut between two rows on paper its class. Shorter ones
// stay whole.
func longClass(list any) string {
	if reflect.ValueOf(list).Len() > 12 {
		return " long"
	}
	return ""
}
