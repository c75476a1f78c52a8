package alert

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/nicholas-fedor/shoutrrr/pkg/services/chat/telegram"
	"github.com/nicholas-fedor/shoutrrr/pkg/types"
)

// chats sends to the chats of an address itself. The library's sender says that a message was
// sent when the network is down, and when the answer is none of its service.
type chats struct{ *telegram.Service }

// Send implements [types.Service]. The text goes as it is, without markup.
func (s chats) Send(text string, params *types.Params) error {
	c := s.Config
	silent := !c.Notification && (*params)["notification"] != "Yes"
	client := &http.Client{Timeout: longest, Transport: outward}
	for _, chat := range c.Chats {
		chat, thread, _ := strings.Cut(chat, ":")
		request, err := json.Marshal(struct {
			Chat      string `json:"chat_id"`
			Thread    string `json:"message_thread_id,omitempty"`
			Text      string `json:"text"`
			Silent    bool   `json:"disable_notification"`
			NoPreview bool   `json:"disable_web_page_preview"`
		}{chat, thread, text, silent, !c.Preview})
		if err != nil {
			return err
		}
		answer, err := client.Post("https://api.telegram.org/bot"+c.Token+"/sendMessage", "application/json", bytes.NewReader(request))
		if err != nil {
			return err
		}
		var taken struct {
			OK bool `json:"ok"`
		}
		err = json.NewDecoder(http.MaxBytesReader(nil, answer.Body, mostAnswer)).Decode(&taken)
		answer.Body.Close()
		if err != nil {
			return fmt.Errorf("cannot read the answer: %w", err)
		}
		if !taken.OK {
			return errors.New("the service did not accept the message")
		}
	}
	return nil
}
