"""The pages, where a run that a click has stopped still writes its own page over the one asked for.

In one tab all runs of Streamlit share one note of the page asked for; which run writes it last is
a matter of milliseconds. Here the stopped run always does, once for every change of page.
"""

from streamlit.runtime.pages_manager import PagesManager

from mapper.ui import main

if not hasattr(main, "noted"):
    main.noted = PagesManager.set_script_intent

    def note_late(self: PagesManager, page_hash: str, page_name: str) -> None:
        before = self.intended_page_script_hash
        main.noted(self, page_hash, page_name)
        late = getattr(self, "late", False)
        self.late = not late and before is not None and before != page_hash
        if self.late:
            main.noted(self, before, "")
            self.set_current_page_script_hash(before)

    PagesManager.set_script_intent = note_late

main.main()
