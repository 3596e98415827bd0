//! Conversions and distances against values worked elsewhere; each table names
//! its source and version.

use glassine::checking::kilometres_between;
use glassine::parsing::coordinates;
use glassine::parsing::dates::Edtf;

/// Zone, band, easting and northing with latitude and longitude, worked with
/// pyproj 3.7.2 (PROJ 9.5.1): `Transformer.from_crs(326ZZ or 327ZZ, 4326)`.
const UTM: &[(&str, f64, f64)] = &[
    ("12S 509500 3694500", 33.3897439, -110.8978527),
    ("10T 552345 5123456", 46.2626629, -122.3207684),
    ("33T 412000 5350000", 48.2970743, 13.8134666),
    ("30U 512345 6043210", 54.5362994, -2.8092083),
    ("54K 390210 7377243", -23.7120043, 139.9229964),
    ("11S 380123 4050321", 36.5908467, -118.3401128),
    ("35H 700001 6200002", -34.3219868, 29.1737812),
    ("60G 650000 5200000", -43.3378837, 178.8504549),
    ("32V 297508 6700250", 60.3878078, 5.3252922),
];

#[test]
fn utm_agrees_with_proj() {
    for (text, latitude, longitude) in UTM {
        let found = coordinates::find(&format!("UTM {text}"));
        assert_eq!(found.len(), 1, "{text}: {found:?}");
        let (lat, lon) = (found[0].latitude.unwrap(), found[0].longitude.unwrap());
        // 1e-6 degrees are 11 cm.
        assert!((lat - latitude).abs() < 1e-6 && (lon - longitude).abs() < 1e-6, "{text}: {lat} {lon}");
    }
}

/// Degrees as labels write them, with latitude and longitude as PROJ reads the
/// same degrees: pyproj 3.7.2 (PROJ 9.5.1), `Proj("+proj=tmerc +lat_0=60d9'42\"N
/// +lon_0=152d36'12.5\"W +ellps=WGS84")(0, 0, inverse=True)` and so on.
const DEGREES: &[(&str, f64, f64)] = &[
    ("60°09'42\"N, 152°36'12.5\"W", 60.1616667, -152.6034722),
    ("34°05'S 18°30'E", -34.0833333, 18.5000000),
    ("66°33'41.6\"N 158°59'56.6\"W", 66.5615556, -158.9990556),
    ("0°30'S, 78°00'30\"W", -0.5000000, -78.0083333),
    ("51°28'38\" N 0°0'5\" W", 51.4772222, -0.0013889),
    ("54° 54.1' N 159° 16.1' E", 54.9016667, 159.2683333),
    ("N. 48° 48' 59\" W. 88° 40' 1\"", 48.8163889, -88.6669444),
    ("41°11'30\"N, 174°08'W", 41.1916667, -174.1333333),
];

#[test]
fn degrees_agree_with_proj() {
    for (text, latitude, longitude) in DEGREES {
        let found = coordinates::find(text);
        assert_eq!(found.len(), 1, "{text}: {found:?}");
        let (lat, lon) = (found[0].latitude.unwrap(), found[0].longitude.unwrap());
        assert!((lat - latitude).abs() < 1e-7 && (lon - longitude).abs() < 1e-7, "{text}: {lat} {lon}");
    }
}

/// Latitude and longitude of two points and their distance in metres on WGS84:
/// the test cases of the PyPI package geographiclib 2.1 (Karney), taken from
/// GeographicLib's GeodTest set.
const GEODESICS: &[(f64, f64, f64, f64, f64)] = &[
    (35.60777, -139.44815, -11.17491, -69.95921, 8935244.56048183),
    (55.52454, 106.05087, 77.03196, 197.18234, 4105086.171392441),
    (-21.97856, 142.59065, 41.84138, 98.56635, 8394328.894657671),
    (-66.99028, 112.2363, -12.70631, 285.90344, 11150344.231208025),
    (-17.42761, 173.34268, -15.84784, 5.93557, 16076603.163118068),
    (32.84994, 48.28919, -56.28556, 202.29132, 16727068.943816446),
    (6.96833, 52.74123, -7.39675, 206.17291, 17102477.249695837),
    (-50.56724, -16.30485, -33.56571, -94.97412, 6455670.511866869),
    (-58.93002, -8.90775, -8.91104, 133.13503, 11756066.021986462),
    (-68.82867, -74.28391, -50.63005, -8.36685, 3956936.926063544),
    (-10.62672, -32.0898, 5.883, -134.31681, 11470869.386456301),
    (-21.76221, 166.90563, 48.72884, 213.97627, 9098627.398655491),
    (-19.79938, -174.47484, -11.99349, -154.35109, 2319004.860116939),
    (-11.95887, -116.94513, 4.57352, 7.16501, 13834722.580140138),
    (-87.85331, 85.66836, 66.48646, 16.09921, 17286615.314714465),
    (1.74708, 128.32011, -11.16617, 11.87109, 12942901.124134742),
    (-25.72959, -144.90758, -57.70581, -269.17879, 9413446.745245311),
    (-41.22777, 122.32875, -7.57291, 130.37946, 3812686.035106021),
    (11.01307, 138.25278, 6.62726, 247.05981, 11911190.819018409),
    (-29.47124, 95.14681, -27.46601, -69.15955, 13487015.838114548),
];

#[test]
fn distances_agree_with_geographiclib() {
    assert!(GEODESICS.len() >= 20);
    for &(lat1, lon1, lat2, lon2, metres) in GEODESICS {
        let got = kilometres_between((lat1, lon1), (lat2, lon2)) * 1000.0;
        assert!((got - metres).abs() < 1e-6 * metres.max(1.0) * 1e-3 + 1e-6, "{lat1} {lon1}: {got} {metres}");
    }
}

/// Every example of levels 0 and 1 in the Library of Congress's Extended Date/Time
/// Format specification (4 February 2019, loc.gov/standards/datetime), each with the first and last day it
/// can mean; none where the specification leaves it open.
const EDTF: &[(&str, Option<&str>, Option<&str>)] = &[
    ("1985-04-12", Some("1985-04-12"), Some("1985-04-12")),
    ("1985-04", Some("1985-04-01"), Some("1985-04-30")),
    ("1985", Some("1985-01-01"), Some("1985-12-31")),
    ("1985-04-12T23:20:30", Some("1985-04-12"), Some("1985-04-12")),
    ("1985-04-12T23:20:30Z", Some("1985-04-12"), Some("1985-04-12")),
    ("1985-04-12T23:20:30-04", Some("1985-04-12"), Some("1985-04-12")),
    ("1985-04-12T23:20:30+04:30", Some("1985-04-12"), Some("1985-04-12")),
    ("1964/2008", Some("1964-01-01"), Some("2008-12-31")),
    ("2004-06/2006-08", Some("2004-06-01"), Some("2006-08-31")),
    ("2004-02-01/2005-02-08", Some("2004-02-01"), Some("2005-02-08")),
    ("2004-02-01/2005-02", Some("2004-02-01"), Some("2005-02-28")),
    ("2004-02-01/2005", Some("2004-02-01"), Some("2005-12-31")),
    ("2005/2006-02", Some("2005-01-01"), Some("2006-02-28")),
    ("2001-21", Some("2001-03-01"), Some("2001-05-31")),
    ("1984?", Some("1984-01-01"), Some("1984-12-31")),
    ("2004-06~", Some("2004-06-01"), Some("2004-06-30")),
    ("2004-06-11%", Some("2004-06-11"), Some("2004-06-11")),
    ("201X", Some("2010-01-01"), Some("2019-12-31")),
    ("20XX", Some("2000-01-01"), Some("2099-12-31")),
    ("2004-XX", Some("2004-01-01"), Some("2004-12-31")),
    ("1985-04-XX", Some("1985-04-01"), Some("1985-04-30")),
    ("1985-XX-XX", Some("1985-01-01"), Some("1985-12-31")),
    ("1985-04-12/..", Some("1985-04-12"), None),
    ("1985-04/..", Some("1985-04-01"), None),
    ("1985/..", Some("1985-01-01"), None),
    ("../1985-04-12", None, Some("1985-04-12")),
    ("../1985-04", None, Some("1985-04-30")),
    ("../1985", None, Some("1985-12-31")),
    ("1985-04-12/", Some("1985-04-12"), None),
    ("1985-04/", Some("1985-04-01"), None),
    ("1985/", Some("1985-01-01"), None),
    ("/1985-04-12", None, Some("1985-04-12")),
    ("/1985-04", None, Some("1985-04-30")),
    ("/1985", None, Some("1985-12-31")),
    ("1984~/2004-06", Some("1984-01-01"), Some("2004-06-30")),
    ("1984/2004-06~", Some("1984-01-01"), Some("2004-06-30")),
    ("1984~/2004~", Some("1984-01-01"), Some("2004-12-31")),
    ("1984-06-02?/2004-08-08~", Some("1984-06-02"), Some("2004-08-08")),
];

/// Examples of the specification that are valid but name no year that a
/// collecting date can have; the reader says no rather than guess.
const EDTF_LEFT_OUT: &[&str] = &["Y170000002", "Y-170000002", "-1985"];

#[test]
fn edtf_examples_of_the_specification_are_read() {
    for (text, first, last) in EDTF {
        let edtf = Edtf::parse(text).unwrap_or_else(|| panic!("{text}"));
        assert_eq!(edtf.first.map(|d| d.to_string()).as_deref(), *first, "{text}");
        assert_eq!(edtf.last.map(|d| d.to_string()).as_deref(), *last, "{text}");
    }
    for text in EDTF_LEFT_OUT {
        assert!(Edtf::parse(text).is_none(), "{text}");
    }
    for text in [
        "1985-13",
        "1985-04-31",
        "19X5",
        "198",
        "1985-4-12",
        "..",
        "/",
        "1985/1984",
        "XXXX-04-12",
        "sometime",
    ] {
        assert!(Edtf::parse(text).is_none(), "{text}");
    }
}
