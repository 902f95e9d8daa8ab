//! A file browser inside the window: native dialogs block or crash some hosts.
//!
//! Folders are read on a thread of their own, since a network folder may take seconds.

mod purpose;

pub use purpose::{FilePurpose, KIT};

use super::{stored_window::StoredWindow, theme, widgets};
use egui::{Context, Key, RichText, Role, ScrollArea, Sense, TextEdit, Ui, WidgetInfo, vec2};
use kitwright_core::{groove::patterns::GrooveSettings, session::Job};
use std::{
    path::{Path, PathBuf},
    sync::{Mutex, mpsc},
};

/// Maximum number of entries shown of a folder.
const MAX_ENTRIES: usize = 5000;

#[derive(Debug, Clone)]
struct FolderEntry {
    name: String,
    path: PathBuf,
    folder: bool,
    bytes: u64,
}

/// The first entries of a folder and whether there are more, or a sentence that says why they cannot be read.
type Listed = Result<(Vec<FolderEntry>, bool), String>;

/// The browser while it is open.
#[derive(Debug)]
pub struct FileBrowser {
    purpose: FilePurpose,
    folder: PathBuf,
    /// Typed or chosen: a name in the folder, or a whole path.
    name: String,
    entries: Vec<FolderEntry>,
    /// The folder has more entries than are listed.
    is_cut: bool,
    error: Option<String>,
    coming: Option<Mutex<mpsc::Receiver<Listed>>>,
    /// An existing file of that name; confirming once more replaces it.
    replace: Option<PathBuf>,
    fresh: bool,
}

/// State of the browser after a frame.
#[derive(Debug, PartialEq)]
pub enum Outcome {
    /// It stays open.
    Open,
    /// It was closed.
    Cancelled,
    /// A file was chosen, with the job to start.
    Chosen(Job),
}

impl FileBrowser {
    /// Opens at the folder shown last, with `name` as proposal.
    pub fn new(purpose: FilePurpose, memory: &StoredWindow, name: &str, ctx: &Context) -> Self {
        let folder = memory.folder.clone().filter(|f| f.is_absolute()).unwrap_or_else(home);
        let mut browser = Self {
            purpose,
            folder: PathBuf::new(),
            name: name.to_owned(),
            entries: Vec::new(),
            is_cut: false,
            error: None,
            coming: None,
            replace: None,
            fresh: true,
        };
        browser.go(folder, ctx);
        browser
    }

    /// Whether a folder is being read.
    pub fn is_working(&self) -> bool {
        self.coming.is_some()
    }

    /// Shows it; `given` is the shaping for a kit made of the file, and the groove whose pattern is saved.
    pub fn show(
        &mut self,
        ctx: &Context,
        memory: &mut StoredWindow,
        given: (f32, GrooveSettings),
    ) -> Outcome {
        self.receive();
        let mut outcome = Outcome::Open;
        let size = ctx.content_rect().size();
        let modal = theme::modal("file browser").show(ctx, |ui| {
            ui.set_width((size.x - 80.0).clamp(400.0, 760.0));
            ui.set_height((size.y - 100.0).clamp(300.0, 560.0));
            outcome = self.contents(ui, memory, given);
        });
        if modal.should_close() && outcome == Outcome::Open {
            outcome = Outcome::Cancelled;
        }
        if outcome != Outcome::Open {
            memory.folder = Some(self.folder.clone());
        }
        outcome
    }

    fn go(&mut self, folder: PathBuf, ctx: &Context) {
        let (send, coming) = mpsc::channel();
        let (path, purpose, ctx) = (folder.clone(), self.purpose, ctx.clone());
        let spawned = std::thread::Builder::new().name("kitwright files".into()).spawn(move || {
            // no receiver is left once the browser is closed
            let _ = send.send(list(&path, purpose, MAX_ENTRIES));
            ctx.request_repaint();
        });
        (self.coming, self.error) = match spawned {
            Ok(_) => (Some(Mutex::new(coming)), None),
            Err(e) => (
                None,
                Some(format!(
                    "{}: could not be read, since the system started no thread ({e}); try again.",
                    folder.display()
                )),
            ),
        };
        self.entries.clear();
        self.is_cut = false;
        self.replace = None;
        self.folder = folder;
    }

    fn receive(&mut self) {
        let Some(coming) = self.coming.as_mut().and_then(|c| c.get_mut().ok()) else { return };
        if let Ok(listed) = coming.try_recv() {
            self.coming = None;
            match listed {
                Ok((entries, is_cut)) => (self.entries, self.is_cut) = (entries, is_cut),
                Err(error) => self.error = Some(error),
            }
        }
    }

    fn contents(&mut self, ui: &mut Ui, memory: &StoredWindow, given: (f32, GrooveSettings)) -> Outcome {
        ui.label(RichText::new(self.purpose.title()).font(theme::title()).color(theme::TEXT));
        let mut next = self.path_row(ui);
        let list_height = (ui.available_height() - 96.0).max(80.0);
        ui.horizontal_top(|ui| {
            if self.purpose == FilePurpose::Open && !memory.recent.is_empty() {
                ui.vertical(|ui| {
                    ui.set_width(180.0);
                    self.recent(ui, memory);
                });
            }
            next = self.list(ui, list_height).or(next.take());
        });
        let chosen_in_list = next.as_ref().is_some_and(|(_, sure)| *sure);
        let mut outcome = self.name_row(ui);
        if let Some((path, _)) = next {
            if chosen_in_list && !path.is_dir() {
                self.name = path.to_string_lossy().into_owned();
                outcome = Some(true);
            } else {
                self.go(path, ui.ctx());
            }
        }
        match outcome {
            Some(true) => self.confirm(given, ui.ctx()).map_or(Outcome::Open, Outcome::Chosen),
            Some(false) => Outcome::Cancelled,
            None => Outcome::Open,
        }
    }

    /// The folder as a row of buttons, one for each folder above it.
    fn path_row(&mut self, ui: &mut Ui) -> Option<(PathBuf, bool)> {
        let mut next = None;
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = 3.0;
            if widgets::button(ui, "Home", "Go to the home folder", "Your own folder.").clicked() {
                next = Some((home(), false));
            }
            let steps: Vec<PathBuf> = self.folder.ancestors().map(Path::to_owned).collect();
            for step in steps.iter().rev() {
                let word = step
                    .file_name()
                    .map_or_else(|| step.display().to_string(), |n| n.to_string_lossy().into());
                if widgets::button(ui, &word, &format!("Go to {}", step.display()), "Go to this folder.")
                    .clicked()
                {
                    next = Some((step.clone(), false));
                }
            }
        });
        next
    }

    fn recent(&mut self, ui: &mut Ui, memory: &StoredWindow) {
        ui.label(RichText::new("Opened before").font(theme::small()).color(theme::TEXT_DIM));
        for file in &memory.recent {
            let word =
                file.file_name().map_or_else(|| file.display().to_string(), |n| n.to_string_lossy().into());
            let response = ui.add(egui::Button::new(word.as_str()).truncate());
            let response = widgets::named(response, Role::Button, &format!("Recent file {word}"));
            if response.on_hover_text(file.display().to_string()).clicked() {
                self.name = file.to_string_lossy().into_owned();
            }
        }
    }

    /// The entries; a click on a folder enters it, a click on a file chooses it, a double click takes it.
    fn list(&mut self, ui: &mut Ui, height: f32) -> Option<(PathBuf, bool)> {
        let mut next = None;
        let row = 24.0;
        egui::Frame::new().fill(theme::INSET).inner_margin(4).show(ui, |ui| {
            ui.set_min_height(height);
            ui.set_width(ui.available_width());
            if let Some(error) = &self.error {
                ui.label(RichText::new(error).color(theme::ERROR));
            } else if self.coming.is_some() {
                ui.label("Reading the folder...");
            } else if self.entries.is_empty() {
                ui.label(RichText::new("No matching files in this folder.").color(theme::TEXT_DIM));
            } else if self.is_cut {
                let words =
                    format!("Only the first {MAX_ENTRIES} entries are listed; type the name of another.");
                ui.label(RichText::new(words).font(theme::small()).color(theme::TEXT_DIM));
            }
            let height = if self.is_cut { height - row } else { height };
            ScrollArea::vertical().max_height(height).auto_shrink([false, true]).show_rows(
                ui,
                row,
                self.entries.len(),
                |ui, rows| {
                    ui.spacing_mut().item_spacing.y = 0.0;
                    for entry in &self.entries[rows] {
                        let (rect, response) =
                            ui.allocate_exact_size(vec2(ui.available_width(), row), Sense::click());
                        let kind = if entry.folder { "Folder" } else { "File" };
                        response.widget_info(|| {
                            WidgetInfo::labeled(Role::ListBoxOption, true, format!("{kind} {}", entry.name))
                        });
                        paint_entry(ui, rect, entry, &response, self.name == entry.name);
                        // the first of two clicks may have been on the folder that was entered
                        if entry.folder && response.clicked() {
                            next = Some((entry.path.clone(), false));
                        } else if (response.double_clicked() || response.triple_clicked())
                            && self.name == entry.name
                        {
                            next = Some((entry.path.clone(), true));
                        } else if response.clicked() {
                            self.name = entry.name.clone();
                            self.replace = None;
                        }
                    }
                },
            );
        });
        next
    }

    /// The name and the two buttons: `Some(true)` confirms, `Some(false)` cancels.
    fn name_row(&mut self, ui: &mut Ui) -> Option<bool> {
        let mut outcome = None;
        ui.add_space(theme::GAP);
        ui.horizontal(|ui| {
            ui.label(self.purpose.name_label());
            let edit = TextEdit::singleline(&mut self.name).desired_width(ui.available_width() - 8.0);
            let response = ui.add(edit);
            response.widget_info(|| WidgetInfo::labeled(Role::TextInput, true, "File name or path"));
            if std::mem::take(&mut self.fresh) {
                response.request_focus();
            }
            if response.changed() {
                self.replace = None;
            }
            if response.lost_focus() && ui.input(|i| i.key_pressed(Key::Enter)) {
                outcome = Some(true);
            }
        });
        ui.horizontal(|ui| {
            let verb = if self.replace.is_some() { "Replace it" } else { self.purpose.verb() };
            let help = self.purpose.help();
            let ready = self.takes_folder() || !self.name.trim().is_empty();
            let confirm = ui.add_enabled_ui(ready, |ui| {
                if ready {
                    widgets::primary(ui, verb, verb, help)
                } else {
                    widgets::solid(ui, verb, verb, help)
                }
            });
            if confirm.inner.clicked() {
                outcome = Some(true);
            }
            if widgets::button(ui, "Cancel", "Cancel choosing a file", "Leaves everything as it is.")
                .clicked()
            {
                outcome = Some(false);
            }
            if let Some(file) = &self.replace {
                let name = file.file_name().unwrap_or_default().to_string_lossy();
                ui.label(RichText::new(format!("{name} is already there.")).color(theme::ERROR));
            }
        });
        outcome
    }

    /// The job for the chosen file; `None` when it would replace a file, which is asked first, or when a folder was
    /// chosen.
    fn confirm(&mut self, (fit, groove): (f32, GrooveSettings), ctx: &Context) -> Option<Job> {
        let typed = self.name.trim().to_owned();
        if typed.is_empty() && !self.takes_folder() {
            return None;
        }
        let path = self.folder.join(&typed);
        match self.purpose {
            FilePurpose::Open | FilePurpose::AddTake | FilePurpose::Song | FilePurpose::Target(_)
                if path.is_dir() =>
            {
                self.name.clear();
                self.go(path, ctx);
                None
            }
            FilePurpose::Open => Some(job_for(path, fit)),
            FilePurpose::AddTake => Some(Job::AddTake(path)),
            FilePurpose::Song => Some(Job::DetectKey(path)),
            FilePurpose::Target(pad) => Some(Job::SetTarget { pad, sound: Some(path) }),
            FilePurpose::Save => self.fresh_or_asked(with_ending(path, KIT)).map(Job::SaveKit),
            FilePurpose::Pattern => {
                let file = self.fresh_or_asked(with_ending(path, "mid"))?;
                Some(Job::SavePattern { file, groove })
            }
            FilePurpose::Export => Some(Job::Export(path)),
            FilePurpose::Sampler(format) => Some(Job::ExportSampler { folder: path, format }),
            FilePurpose::PadWav(pad) => {
                let file = self.fresh_or_asked(with_ending(path, "wav"))?;
                Some(Job::ExportPad { pad, file })
            }
        }
    }

    /// Whether a folder is asked for, which may be the one that is shown.
    fn takes_folder(&self) -> bool {
        matches!(self.purpose, FilePurpose::Export | FilePurpose::Sampler(_))
    }

    /// The path, unless a file is there that the player has not agreed to replace.
    fn fresh_or_asked(&mut self, path: PathBuf) -> Option<PathBuf> {
        if path.exists() && self.replace.as_ref() != Some(&path) {
            self.replace = Some(path);
            return None;
        }
        Some(path)
    }
}

/// The job for a file by its extension: a kit is loaded, any other file is decoded as a recording.
pub fn job_for(path: PathBuf, fit: f32) -> Job {
    if is_kit(&path) { Job::LoadKit(path) } else { Job::NewKit { takes: vec![path], fit } }
}

/// Whether the extension is that of a kit.
pub fn is_kit(path: &Path) -> bool {
    extension(path) == KIT
}

fn with_ending(path: PathBuf, ending: &str) -> PathBuf {
    if extension(&path) == ending {
        return path;
    }
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".");
    name.push(ending);
    path.with_file_name(name)
}

fn extension(path: &Path) -> String {
    path.extension().unwrap_or_default().to_string_lossy().to_lowercase()
}

fn home() -> PathBuf {
    let set = |name: &str| std::env::var_os(name).map(PathBuf::from).filter(|p| p.is_absolute());
    set("HOME").or_else(|| set("USERPROFILE")).unwrap_or_else(|| PathBuf::from(std::path::MAIN_SEPARATOR_STR))
}

/// The first `max` entries of a folder that `purpose` shows, folders before files, by name.
fn list(folder: &Path, purpose: FilePurpose, max: usize) -> Listed {
    let unreadable = |e: std::io::Error| {
        format!("{}: this folder cannot be read ({e}); choose another one.", folder.display())
    };
    let read = std::fs::read_dir(folder).map_err(unreadable)?;
    let mut entries: Vec<FolderEntry> = read
        .flatten()
        .filter_map(|e| {
            let name = e.file_name().to_string_lossy().into_owned();
            let path = e.path();
            // follows links
            let meta = std::fs::metadata(&path).ok()?;
            let shown = meta.is_dir() || purpose.shows(&extension(&path));
            (shown && !name.starts_with('.')).then(|| FolderEntry {
                name,
                folder: meta.is_dir(),
                bytes: meta.len(),
                path,
            })
        })
        .collect();
    entries.sort_by_cached_key(|e| (!e.folder, e.name.to_lowercase()));
    let is_cut = entries.len() > max;
    entries.truncate(max);
    Ok((entries, is_cut))
}

fn paint_entry(ui: &Ui, rect: egui::Rect, entry: &FolderEntry, response: &egui::Response, chosen: bool) {
    let painter = ui.painter();
    if chosen || response.hovered() {
        painter.rect_filled(rect, theme::ROUND, if chosen { theme::HOVERED } else { theme::SURFACE });
    }
    let middle = rect.center().y;
    let word = if entry.folder { "folder".to_owned() } else { size_words(entry.bytes) };
    let right = widgets::text_in(
        painter,
        egui::pos2(rect.right() - 14.0, middle),
        egui::Align2::RIGHT_CENTER,
        &word,
        theme::small(),
        theme::TEXT_DIM,
        90.0,
    );
    let left = rect.left() + 8.0;
    widgets::text_in(
        painter,
        egui::pos2(left, middle),
        egui::Align2::LEFT_CENTER,
        &entry.name,
        theme::body(),
        theme::TEXT,
        right.left() - left - 10.0,
    );
    widgets::focus_edge(painter, rect.shrink(1.0), response);
}

fn size_words(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{} kB", bytes.div_ceil(1000)),
        _ => format!("{:.1} MB", bytes as f64 / 1e6),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_file_name_ending_decides_between_kit_and_recording() {
        assert_eq!(job_for("a/b.KITWRIGHT".into(), 0.5), Job::LoadKit("a/b.KITWRIGHT".into()));
        assert_eq!(job_for("a/b.wav".into(), 0.5), Job::NewKit { takes: vec!["a/b.wav".into()], fit: 0.5 });
        assert_eq!(with_ending("x/my.kit".into(), KIT), PathBuf::from("x/my.kit.kitwright"));
        assert_eq!(with_ending("x/k.kitwright".into(), KIT), PathBuf::from("x/k.kitwright"));
    }

    #[test]
    fn folders_come_first_and_only_matching_files_are_listed() {
        let dir = tempfile::tempdir().expect("temporary folder");
        for file in ["b.wav", "a.flac", "notes.txt", "k.kitwright", ".hidden.wav"] {
            std::fs::write(dir.path().join(file), "x").expect("written");
        }
        std::fs::create_dir(dir.path().join("z")).expect("made");
        let first = |p, max| {
            let (entries, is_cut) = list(dir.path(), p, max).expect("listed");
            (entries.into_iter().map(|e| e.name).collect::<Vec<_>>(), is_cut)
        };
        let names = |p| first(p, MAX_ENTRIES).0;
        assert_eq!(names(FilePurpose::Open), ["z", "a.flac", "b.wav", "k.kitwright"]);
        assert_eq!(names(FilePurpose::AddTake), ["z", "a.flac", "b.wav"]);
        assert_eq!(names(FilePurpose::Save), ["z", "k.kitwright"]);
        assert_eq!(names(FilePurpose::Export), ["z"]);
        assert_eq!(first(FilePurpose::Open, 2), (vec!["z".to_owned(), "a.flac".to_owned()], true));
        assert!(!first(FilePurpose::Open, 4).1);
        let missing = dir.path().join("none");
        let error = list(&missing, FilePurpose::Open, 1).expect_err("no folder");
        assert!(error.starts_with(&missing.display().to_string()), "{error}");
    }
}
