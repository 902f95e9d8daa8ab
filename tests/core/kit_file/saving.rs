//! Saving: whole or not at all, and errors that name the file.

use super::{bytes, kit};
use kitwright_core::{
    error::{Error, Result},
    kit::{Kit, MAX_STATE_AUDIO, TakeEntry},
    progress::{Flag, Progress, Quiet},
    take::Take,
};
use std::{
    path::Path,
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering::SeqCst},
    },
};

#[test]
fn a_save_that_fails_leaves_the_old_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kit.kitwright");
    kit().save(&path, &Quiet).unwrap();
    let before = std::fs::read(&path).unwrap();

    let mut broken = kit();
    broken.doc.pads[0].note = broken.doc.pads[1].note;
    assert!(broken.save(&path, &Quiet).is_err());
    assert_eq!(kit().save(&path, &Flag(true.into())).unwrap_err(), Error::Cancelled);
    /// Cancels at the n-th call.
    struct Later(AtomicUsize);
    impl Progress for Later {
        fn report(&self, _: &str, _: f32) {}
        fn cancelled(&self) -> bool {
            self.0.fetch_sub(1, SeqCst) == 1
        }
    }
    for n in 1..6 {
        let _: Result<()> = kit().save(&path, &Later(n.into()));
        assert_eq!(std::fs::read(&path).unwrap(), before);
    }
    assert!(kit().save(folder.path(), &Quiet).unwrap_err().to_string().contains("folder"));
    assert!(
        kit()
            .save(folder.path().join("no/where/kit"), &Quiet)
            .unwrap_err()
            .to_string()
            .contains("folder is not there")
    );

    let names: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(names, ["kit.kitwright"], "nothing half-written is left behind");
}

/// The system's limit on file sizes makes the write fail: this test starts itself again under that limit.
#[cfg(unix)]
#[test]
fn a_write_that_fails_midway_leaves_the_old_file() {
    const VARIABLE: &str = "KITWRIGHT_TEST_FILE_LIMIT";
    if let Some(path) = std::env::var_os(VARIABLE) {
        let error = kit().save(Path::new(&path), &Quiet).unwrap_err().to_string();
        assert!(error.contains("could not be saved") && error.contains("may not be that large"), "{error}");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kit.kitwright");
    std::fs::write(&path, "the old kit").unwrap();
    assert!(bytes().len() > 16 * 1024);
    // 16 blocks of 512 or 1,024 bytes. The signal is ignored, so that the write returns an error.
    let run = std::process::Command::new("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f 16; exec \"$0\" --exact \"$1\""])
        .arg(std::env::current_exe().unwrap())
        .arg("kit_file::saving::a_write_that_fails_midway_leaves_the_old_file")
        .env(VARIABLE, &path)
        .output()
        .unwrap();
    let printed = String::from_utf8_lossy(&run.stdout);
    assert!(run.status.success() && printed.contains("1 passed"), "{printed}");
    assert_eq!(std::fs::read(&path).unwrap(), b"the old kit");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "nothing half-written is left behind");
}

#[cfg(unix)]
#[test]
fn a_link_stays_a_link() {
    let folder = tempfile::tempdir().unwrap();
    let (file, link) = (folder.path().join("kit.kitwright"), folder.path().join("link.kitwright"));
    kit().save(&file, &Quiet).unwrap();
    std::os::unix::fs::symlink(&file, &link).unwrap();
    let mut other = kit();
    other.doc.name = "other".into();
    other.save(&link, &Quiet).unwrap();
    assert!(std::fs::symlink_metadata(&link).unwrap().is_symlink());
    assert_eq!(Kit::load(&file, &Quiet).unwrap().doc.name, "other");
}

#[test]
fn errors_of_files_name_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("broken.kitwright");
    std::fs::write(&path, &bytes()[..1000]).unwrap();
    for path in [path.as_path(), folder.path(), Path::new("nowhere.kitwright")] {
        let text = Kit::load(path, &Quiet).map(|_| ()).unwrap_err().to_string();
        assert!(text.starts_with(&path.display().to_string()), "{text}");
    }
}

#[test]
fn a_state_over_the_audio_limit_is_refused() {
    // FLAC cannot compress noise: 3 bytes a sample.
    let frames = (MAX_STATE_AUDIO / 3 + 100_000) as usize;
    let mut random = 1_u32;
    let noise = (0..frames).map(|_| {
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        random as i32 as f32 / 2_147_483_648.0
    });
    let take = Arc::new(Take::from_samples("noise", 48_000, vec![noise.collect()]));
    let mut kit = Kit::default();
    kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
    kit.takes.push(take);
    let text = kit.to_bytes(&Quiet).unwrap_err().to_string();
    assert!(text.contains("181 MiB") && text.contains("180 MiB") && text.contains("shorter"), "{text}");
}
