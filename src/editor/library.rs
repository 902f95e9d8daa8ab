//! The box of the kit library: kits to look for, to load one after the other while playing, to rename, copy, tag and throw
//! away; starter kits.

use super::{frame_context::FrameContext, theme, unsaved::Unsaved, widgets};
use egui::{RichText, Role, ScrollArea, TextEdit, Ui, WidgetInfo};
use kitwright_core::{
    demo::Instrument,
    error::{Error, Result},
    library::{Entry, Library, kits_folder, neighbour},
    session::{Job, LibraryJob},
};
use std::{
    path::{Path, PathBuf},
    sync::{Arc, mpsc},
};

/// Width of the box, points; narrower in a small window.
const WIDTH: f32 = 680.0;

/// What is read of the library on a thread of its own.
type Listing = Result<(Vec<Entry>, Vec<Error>)>;

/// What the box keeps between frames.
#[derive(Debug, Default)]
pub struct LibraryView {
    /// The folder; `None` until the box is opened, or where the system names none.
    folder: Option<PathBuf>,
    library: Option<Arc<Library>>,
    listed: Option<mpsc::Receiver<Listing>>,
    entries: Vec<Entry>,
    trouble: Option<String>,
    search: String,
    chosen: Option<PathBuf>,
    /// The name and the tags that are being typed for the chosen kit.
    name: String,
    tags: String,
    /// Choices are learned.
    learns: bool,
    was_open: bool,
    worked: bool,
}

impl LibraryView {
    /// A view of the kits in another folder than the user's own.
    pub fn of(folder: PathBuf) -> Self {
        Self { folder: Some(folder), ..Self::default() }
    }

    /// Whether the folder is being read.
    pub fn is_working(&self) -> bool {
        self.listed.is_some()
    }

    /// Reads the folder on a thread of its own.
    fn read(&mut self, ui: &Ui) {
        self.folder = self.folder.take().or_else(kits_folder);
        let Some(folder) = self.folder.clone() else {
            self.trouble = Some("No folder for the kit library: HOME (on Windows APPDATA) is not set. Set it and start the host again.".into());
            return;
        };
        if self.library.is_none() {
            match Library::open(folder) {
                Ok(library) => self.library = Some(Arc::new(library)),
                Err(error) => self.trouble = Some(error.to_string()),
            }
        }
        let Some(library) = self.library.clone() else { return };
        let (send, listed) = mpsc::channel();
        let ctx = ui.ctx().clone();
        let spawned = std::thread::Builder::new().name("kitwright library".into()).spawn(move || {
            // the box may be closed meanwhile
            let _ = send.send(library.entries());
            ctx.request_repaint();
        });
        self.listed = spawned.is_ok().then_some(listed);
    }

    /// Takes what was read, and reads again after work on the library.
    fn follow(&mut self, ui: &Ui, cx: &FrameContext<'_>) {
        let works = cx.session.job().is_some();
        if !self.was_open {
            self.learns = cx.session.preference().on;
        }
        if !self.was_open || (self.worked && !works) {
            self.read(ui);
        }
        (self.was_open, self.worked) = (true, works);
        match self.listed.as_ref().map(mpsc::Receiver::try_recv) {
            Some(Ok(Ok((entries, errors)))) => {
                self.entries = entries;
                self.trouble = errors.first().map(ToString::to_string);
                self.listed = None;
            }
            Some(Ok(Err(error))) => {
                self.trouble = Some(error.to_string());
                self.listed = None;
            }
            Some(Err(mpsc::TryRecvError::Disconnected)) => self.listed = None,
            Some(Err(mpsc::TryRecvError::Empty)) | None => {}
        }
        if self.chosen.as_ref().is_some_and(|file| !self.entries.iter().any(|e| e.file == *file)) {
            self.chosen = None;
        }
    }

    fn choose(&mut self, entry: &Entry) {
        self.chosen = Some(entry.file.clone());
        self.name.clone_from(&entry.name);
        self.tags = entry.tags.join(", ");
    }

    fn start(&mut self, job: LibraryJob, cx: &FrameContext<'_>) {
        if let Some(folder) = self.folder.clone() {
            cx.session.start(Job::Library { folder, job });
            // it may be done before the next frame
            self.worked = true;
        }
    }
}

/// Shows the box while it is open.
pub(super) fn show(
    ui: &Ui,
    open: &mut bool,
    view: &mut LibraryView,
    unsaved: &mut Unsaved,
    cx: &FrameContext<'_>,
) {
    if !*open {
        view.was_open = false;
        return;
    }
    view.follow(ui, cx);
    let screen = ui.ctx().content_rect().size();
    let modal = theme::modal("kit library").show(ui.ctx(), |ui| {
        ui.set_width(WIDTH.min(screen.x - 80.0));
        ui.label(RichText::new("Kits").font(theme::title()));
        let found = head(ui, view, unsaved, cx);
        ui.separator();
        list(ui, view, &found, unsaved, screen.y - 320.0, cx);
        ui.separator();
        chosen(ui, view, cx);
        ui.separator();
        ui.horizontal_wrapped(|ui| {
            foot(ui, view, cx);
            widgets::button(ui, "Close", "Close the kits", "Back to the kit.").clicked()
        })
        .inner
    });
    if modal.should_close() || modal.inner {
        *open = false;
    }
}

/// The search, and the way to the kits beside the open one; returns the kits that are found.
fn head(ui: &mut Ui, view: &mut LibraryView, unsaved: &mut Unsaved, cx: &FrameContext<'_>) -> Vec<Entry> {
    let mut found = Vec::new();
    ui.horizontal(|ui| {
        let field =
            TextEdit::singleline(&mut view.search).desired_width(240.0).hint_text("name, tag, role, take");
        let field = ui.add(field);
        field.widget_info(|| WidgetInfo::labeled(Role::TextInput, true, "Look for kits"));
        found = view.entries.iter().filter(|entry| entry.matches(&view.search)).cloned().collect();
        for (word, steps) in [("Previous", -1), ("Next", 1)] {
            let name = format!("{word} kit");
            let help = "Loads the kit beside the open one while it goes on sounding.";
            if widgets::solid(ui, word, &name, help).clicked()
                && let Some(entry) = neighbour(&found, cx.session.file().as_deref(), steps)
            {
                view.choose(entry);
                unsaved.start(Job::LoadKit(entry.file.clone()), cx);
            }
        }
        ui.label(RichText::new(format!("{} of {}", found.len(), view.entries.len())).color(theme::TEXT_DIM));
    });
    if let Some(trouble) = &view.trouble {
        ui.label(RichText::new(trouble).font(theme::small()).color(theme::ERROR));
    }
    found
}

fn list(
    ui: &mut Ui,
    view: &mut LibraryView,
    found: &[Entry],
    unsaved: &mut Unsaved,
    height: f32,
    cx: &FrameContext<'_>,
) {
    let now = cx.session.file();
    ScrollArea::vertical().max_height(height.max(100.0)).auto_shrink([false, true]).show(ui, |ui| {
        if found.is_empty() {
            let words = if view.is_working() { "reading the folder" } else { "no kit here yet" };
            ui.label(RichText::new(words).color(theme::TEXT_DIM));
        }
        for entry in found {
            let is_open = now.as_deref() == Some(entry.file.as_path());
            let row = line(ui, entry, view.chosen.as_deref(), is_open);
            if row.clicked() {
                view.choose(entry);
            }
            if row.double_clicked() {
                unsaved.start(Job::LoadKit(entry.file.clone()), cx);
            }
        }
    });
}

/// One kit of the list.
fn line(ui: &mut Ui, entry: &Entry, chosen: Option<&Path>, is_open: bool) -> egui::Response {
    let is_chosen = chosen == Some(entry.file.as_path());
    let mut text = entry.name.clone();
    if is_open {
        text += "  (open)";
    }
    if !entry.tags.is_empty() {
        text += &format!("  [{}]", entry.tags.join(", "));
    }
    let row = ui.selectable_label(is_chosen, text);
    row.widget_info(|| WidgetInfo::selected(Role::ListItem, true, is_chosen, format!("Kit {}", entry.name)));
    let roles: Vec<String> = entry.roles.iter().map(ToString::to_string).collect();
    let size = entry.bytes as f64 / 1e6;
    row.on_hover_text(format!("{}; {size:.1} MB\n{}", roles.join(", "), entry.file.display()))
}

/// What can be done with the chosen kit.
fn chosen(ui: &mut Ui, view: &mut LibraryView, cx: &FrameContext<'_>) {
    let Some(file) = view.chosen.clone() else {
        ui.label(RichText::new("Choose a kit; a double click loads it.").color(theme::TEXT_DIM));
        return;
    };
    ui.horizontal_wrapped(|ui| {
        let name = ui.add(TextEdit::singleline(&mut view.name).desired_width(180.0).char_limit(80));
        name.widget_info(|| WidgetInfo::labeled(Role::TextInput, true, "Name of the chosen kit"));
        if widgets::button(ui, "Rename", "Rename the chosen kit", "Gives the kit and its file this name.")
            .clicked()
        {
            view.start(LibraryJob::Rename { file: file.clone(), name: view.name.clone() }, cx);
        }
        let tags = TextEdit::singleline(&mut view.tags).desired_width(150.0).hint_text("tags, with commas");
        let tags = ui.add(tags);
        tags.widget_info(|| WidgetInfo::labeled(Role::TextInput, true, "Tags of the chosen kit"));
        if widgets::button(ui, "Tag", "Tag the chosen kit", "Gives the kit these tags.").clicked() {
            let tags = view.tags.split(',').map(str::to_owned).collect();
            view.start(LibraryJob::Tag { file: file.clone(), tags }, cx);
        }
        if widgets::button(ui, "Duplicate", "Duplicate the chosen kit", "Copies the kit.").clicked() {
            view.start(LibraryJob::Duplicate(file.clone()), cx);
        }
        let help = "Moves the kit into the folder \"trash\" of the library, which is never emptied.";
        if widgets::button(ui, "To the trash", "Throw the chosen kit away", help).clicked() {
            view.start(LibraryJob::ThrowAway(file), cx);
        }
    });
}

/// Work on the open kit, and starter kits.
fn foot(ui: &mut Ui, view: &mut LibraryView, cx: &FrameContext<'_>) {
    let help = "Saves the open kit into the library.";
    if widgets::button(ui, "Keep this kit", "Save the open kit into the library", help).clicked() {
        view.start(LibraryJob::Add, cx);
    }
    let help = "Removes the parts of the takes that no pad or key plays, with 50 % in reserve. The kit gets smaller and sounds the same; sounds that you later make longer than that end early.";
    if widgets::button(ui, "Keep only what sounds", "Keep only what sounds", help).clicked() {
        cx.session.start(Job::KeepUsed);
    }
    let on = view.learns;
    let help = "Learns on this computer which hits and fits you choose instead of the automatic ones, and casts the next kits accordingly.";
    if widgets::toggle(ui, on, "Learn from my choices", "Learn from my choices", help).clicked() {
        cx.session.set_learning(!on);
        view.learns = cx.session.preference().on;
    }
    let help = "Forgets what was learned of your choices.";
    if on && widgets::button(ui, "Forget", "Forget what was learned", help).clicked() {
        cx.session.forget_preference();
    }
    let help = "Makes a kit of an instrument that this program invents.";
    let starters = widgets::button(ui, "Starter kits", "Starter kits", help);
    egui::Popup::menu(&starters).show(|ui| {
        for instrument in Instrument::ALL {
            let entry = ui.selectable_label(false, instrument.name());
            let name = format!("Starter kit {}", instrument.name());
            entry.widget_info(|| WidgetInfo::labeled(Role::MenuItem, true, &name));
            if entry.clicked() {
                view.start(LibraryJob::Starter(instrument), cx);
                ui.close();
            }
        }
    });
}
