//! Drivers are taken away from a whole process, so this is one with nothing else to read.

use gdal::DriverManager;
use gdal_calls::drivers::keep_only;

#[test]
fn only_drivers_of_the_list_stay() {
    assert!(DriverManager::get_driver_by_name("GML").is_ok());
    let kept = ["GPKG", "GTiff", "MEM", "no such driver"];
    keep_only(&kept);
    assert_eq!(DriverManager::count(), 3);
    assert!(DriverManager::get_driver_by_name("GPKG").is_ok());
    assert!(DriverManager::get_driver_by_name("GML").is_err());
}
