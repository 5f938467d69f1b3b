pub mod tracks;
