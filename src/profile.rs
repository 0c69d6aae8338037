//! What was taught, as data: one file that `acinus train` makes and `--profile` takes.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::classify::ClassModel;
use crate::given::{Kind, read_text};
use crate::segment::SegmentModel;

/// Version of the file's form.
pub const SCHEMA: &str = "acinus-profile/1";

/// The profile that comes with the program, made by `acinus train` from the photographs with
/// truth that DEVELOPERS.md names.
const BUILT_IN: &str = include_str!("assets/profile.json");

/// Everything taught.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Profile {
    /// Version of the form: [`SCHEMA`].
    pub schema: String,
    /// Name shown in reports.
    pub name: String,
    /// What it was taught from, in words.
    pub origin: String,
    /// Photographs it was taught from, by name.
    pub photographs: Vec<String>,
    /// Finding and splitting.
    pub segment: SegmentModel,
    /// Judging and weighing.
    pub classes: ClassModel,
}

/// Why a profile could not be used.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// The file could not be read.
    #[error("profile {}: {source}", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file is not a profile.
    #[error("profile {path}: {why}; make one with `acinus train`")]
    Form {
        /// The file.
        path: String,
        /// What is wrong.
        why: String,
    },
}

impl Profile {
    /// The profile that comes with the program.
    pub fn built_in() -> Result<Profile, ProfileError> {
        Profile::parse("(built in)", BUILT_IN)
    }

    /// Reads a profile.
    pub fn read(path: &Path) -> Result<Profile, ProfileError> {
        let text = read_text(path, Kind::Profile)
            .map_err(|source| ProfileError::Read { path: path.to_path_buf(), source })?;
        Profile::parse(&path.display().to_string(), &text)
    }

    /// The file's bytes: JSON without line breaks, for it holds thousands of numbers.
    pub fn to_bytes(&self) -> Result<Vec<u8>, serde_json::Error> {
        serde_json::to_vec(self)
    }

    /// A profile from its file's bytes; `name` is what errors call it.
    ///
    /// # Errors
    /// [`ProfileError::Form`] when they are no profile.
    pub fn from_bytes(name: &str, bytes: &[u8]) -> Result<Profile, ProfileError> {
        let text = std::str::from_utf8(bytes)
            .map_err(|e| ProfileError::Form { path: name.to_owned(), why: e.to_string() })?;
        Profile::parse(name, text)
    }

    fn parse(path: &str, text: &str) -> Result<Profile, ProfileError> {
        let form = |why: String| ProfileError::Form { path: path.to_string(), why };
        let profile: Profile = serde_json::from_str(text).map_err(|e| form(e.to_string()))?;
        if profile.schema != SCHEMA {
            return Err(form(format!("it is of form {:?}, not {SCHEMA:?}", profile.schema)));
        }
        if !profile.fits() {
            return Err(form("its networks do not fit this program's measures".into()));
        }
        Ok(profile)
    }

    /// Whether every network takes the measures that this program computes.
    fn fits(&self) -> bool {
        use crate::classify;
        use crate::segment::{evidence, link, split};
        let s = &self.segment;
        s.pixels.fits(evidence::FEATURES, 2)
            && s.context.fits(evidence::CONTEXT_FEATURES, 2)
            && [&s.pixels, &s.context].iter().all(|n| n.takes_many())
            && s.pairs.as_ref().is_none_or(|n| n.fits(split::PAIR_FEATURES, 1))
            && s.regions.as_ref().is_none_or(|n| n.fits(split::REGION_FEATURES, 1))
            && s.links.as_ref().is_none_or(|n| n.fits(link::LINK_FEATURES, 1))
            && self.classes.fruit.fits(classify::fruit_features(&Default::default()).len(), 1)
            && self.classes.fruits.iter().all(|f| {
                !f.networks.is_empty()
                    && f.networks.iter().all(|n| n.fits(classify::FEATURES, 4))
                    && f.clouds.iter().all(|c| {
                        c.mean.len() == classify::FEATURES && c.spread.len() == classify::FEATURES
                    })
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is written is one line, and reads back as the same networks.
    #[test]
    fn a_profile_survives_the_round_trip() {
        let profile = Profile::built_in().unwrap();
        let text = String::from_utf8(profile.to_bytes().unwrap()).unwrap();
        assert!(!text.contains('\n') && !BUILT_IN.trim_end().contains('\n'));
        let again = Profile::parse("again", &text).unwrap();
        assert_eq!(again.segment, profile.segment);
        assert_eq!(again.name, profile.name);
    }

    /// Networks that do not fit are found when the profile is read, not when the first photograph is.
    #[test]
    fn networks_in_wrong_places_are_refused() {
        let profile = Profile::built_in().unwrap();
        let wrong: [fn(&mut SegmentModel); 5] = [
            |s| s.pixels = s.context.clone(),
            |s| s.context = s.pixels.clone(),
            |s| s.pairs = s.regions.clone(),
            |s| s.regions = s.links.clone(),
            |s| s.links = s.regions.clone(),
        ];
        for change in wrong {
            let mut profile = profile.clone();
            change(&mut profile.segment);
            let read = Profile::from_bytes("wrong", &profile.to_bytes().unwrap());
            assert!(matches!(read, Err(ProfileError::Form { .. })));
        }
        // Networks for pixels take numbers as they are.
        let text = String::from_utf8(profile.to_bytes().unwrap()).unwrap();
        let softmax = text.replacen("\"logistic\"", "\"softmax\"", 1);
        assert!(softmax != text && Profile::from_bytes("wrong", softmax.as_bytes()).is_err());
    }
}
